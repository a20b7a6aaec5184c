//! `GET /v1/jobs/{id}/trial-bind`.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::{Problem, TrialBind};
use condyle_core::intake::file_digest;

use crate::access::{May, Read};
use crate::app;
use crate::problem::ApiError;
use crate::routes::negotiate::{AppPath, tagged};
use crate::state::App;

/// What a job made for `POST /v1/trial-binds`, for as long as the job is kept. Its report alone, in every form, is
/// `/v1/jobs/{id}/report`.
#[utoipa::path(
    get, path = "/v1/jobs/{id}/trial-bind", tag = "jobs", operation_id = "getJobTrialBind", security((), ("token" = ["read"])),
    params(("id" = String, Path, description = "From the Location of the 202")),
    responses(
        (status = 200, description = "The findings and the weights in numbers, under a strong ETag", body = TrialBind),
        (status = 304, description = "If-None-Match names it"),
        (status = 404, description = "There is none: no such job, or it bound nothing", body = Problem, content_type = "application/problem+json"),
        (status = 409, description = "The job is not over", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn trial_bind(
    State(app): State<App>,
    may: May<Read>,
    AppPath(id): AppPath<String>,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    app::jobs::visible(&app, &may.caller, &id).await?;
    let text = app::jobs::trial_bind(&app, &id).await?;
    let tag = format!("\"{}\"", &file_digest(text.as_bytes())[..32]);
    Ok(tagged(&headers, &tag, "application/json", || text))
}
