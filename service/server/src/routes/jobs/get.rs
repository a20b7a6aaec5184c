//! `GET /v1/jobs/{id}`.

use axum::extract::State;
use axum::http::{HeaderMap, HeaderValue, header};
use axum::response::Response;
use condyle_api::{Job, Problem};

use crate::access::{May, Read};
use crate::app::jobs::{ended, visible};
use crate::problem::ApiError;
use crate::routes::negotiate::{AppPath, json};
use crate::routes::prefer::Prefer;
use crate::state::App;

/// A job: where it stands, how far it is, and where its result is.
///
/// With `Prefer: wait=N` the answer comes when the job is over, or after N seconds.
#[utoipa::path(
    get, path = "/v1/jobs/{id}", tag = "jobs", operation_id = "getJob", security((), ("token" = ["read"])),
    params(("id" = String, Path, description = "From the Location of the 202"),
           ("Prefer" = Option<String>, Header, description = "`wait=N`: answer when the job is over, or after N seconds (RFC 7240)")),
    responses(
        (status = 200, description = "The job; while it is not over, Retry-After says when to look again", body = Job),
        (status = 304, description = "If-None-Match names it"),
        (status = 404, description = "There is no such job, or it was over long ago", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "The store cannot be used", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn get(
    State(app): State<App>,
    may: May<Read>,
    AppPath(id): AppPath<String>,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    visible(&app, &may.caller, &id).await?;
    let prefer = Prefer::of(&headers, super::super::checks::most_wait_s(&app));
    let found = ended(&app, &id, prefer.wait()).await?;
    let mut response = json(&headers, &found.job)?;
    if !found.job.state.is_over() {
        response.headers_mut().insert(header::RETRY_AFTER, HeaderValue::from_static("1"));
    }
    prefer.applied(&mut response, true);
    Ok(response)
}
