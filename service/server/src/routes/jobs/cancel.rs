//! `DELETE /v1/jobs/{id}`.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::{Job, Problem};

use crate::access::{May, Submit};
use crate::app;
use crate::problem::ApiError;
use crate::routes::negotiate::{AppPath, json};
use crate::state::App;

/// Cancel a job: it has no effect any more, whether it waited or ran.
///
/// Cancelling it again changes nothing.
#[utoipa::path(
    delete, path = "/v1/jobs/{id}", tag = "jobs", operation_id = "cancelJob", security((), ("token" = ["submit"])),
    params(("id" = String, Path, description = "From the Location of the 202")),
    responses(
        (status = 200, description = "The job, cancelled", body = Job),
        (status = 404, description = "There is no such job", body = Problem, content_type = "application/problem+json"),
        (status = 409, description = "It is over; what it did stays", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "The store cannot be used", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn cancel(
    State(app): State<App>,
    may: May<Submit>,
    AppPath(id): AppPath<String>,
) -> Result<Response, ApiError> {
    app::jobs::visible(&app, &may.caller, &id).await?;
    let found = app::jobs::cancel(&app, &id).await?;
    json(&HeaderMap::new(), &found.job)
}
