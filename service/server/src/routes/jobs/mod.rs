//! `/v1/jobs`, and answers that are given later.

pub mod cancel;
pub mod figure;
pub mod get;
pub mod report;
pub mod trial_bind;

use axum::Json;
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse as _, Response};
use condyle_api::{Job, JobState};

use super::prefer::Prefer;
use crate::app::jobs::ended;
use crate::problem::{self, ApiError};
use crate::queue::StoredJob;
use crate::state::App;

/// Waits as long as the caller does; a job that is not done by then is told by [`accepted`].
pub(super) async fn in_time(app: &App, id: &str, prefer: Prefer) -> Result<StoredJob, ApiError> {
    ended(app, id, prefer.wait()).await
}

/// What a job came to that made nothing, in the place of its result; `None`: it made something.
pub(super) fn otherwise(found: StoredJob, prefer: Prefer) -> Result<StoredJob, Response> {
    // Who does not wait is told of the job, however quick it was: one request has one kind of answer.
    if prefer.wait().is_zero() {
        return Err(accepted(found.job, prefer));
    }
    match (found.job.state, &found.job.problem) {
        (JobState::Done, _) => Ok(found),
        (JobState::Dead, Some(told)) => {
            let mut response = problem::respond(told.clone());
            prefer.applied(&mut response, true);
            Err(response)
        }
        _ => Err(accepted(found.job, prefer)),
    }
}

/// Waits for a job as long as the caller does: the job if it made something by then, else what the caller is told. A job that
/// no key finds again is cancelled where its caller goes away.
pub(super) async fn patient(
    app: &App,
    id: String,
    prefer: Prefer,
    keyed: bool,
) -> Result<Result<String, Response>, ApiError> {
    let mut abandoned = Abandoned(Some((app.clone(), id.clone())).filter(|_| !keyed));
    let found = in_time(app, &id, prefer).await;
    abandoned.0 = None;
    Ok(otherwise(found?, prefer).map(|_| id))
}

/// A job that nobody can ask for: its caller went away before it was told where it is. Cancelled when dropped.
struct Abandoned(Option<(App, String)>);

impl Drop for Abandoned {
    fn drop(&mut self) {
        if let Some((app, id)) = self.0.take()
            && let Ok(runtime) = tokio::runtime::Handle::try_current()
        {
            runtime.spawn(async move {
                if let Err(error) = crate::app::jobs::cancel(&app, &id).await {
                    tracing::info!(job = id, ?error, "its caller went away; it is not cancelled");
                }
            });
        }
    }
}

/// 202: it is durable, and its job says how it goes.
fn accepted(job: Job, prefer: Prefer) -> Response {
    let place = HeaderValue::from_str(&format!("/v1/jobs/{}", job.id));
    let mut response = (StatusCode::ACCEPTED, Json(job)).into_response();
    if let Ok(place) = place {
        response.headers_mut().insert(header::LOCATION, place);
    }
    response.headers_mut().insert(header::RETRY_AFTER, HeaderValue::from_static("1"));
    prefer.applied(&mut response, false);
    response
}
