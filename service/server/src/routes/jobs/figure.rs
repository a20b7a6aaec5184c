//! `GET /v1/jobs/{id}/figure`.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::Problem;
use condyle_core::intake::file_digest;

use crate::access::{May, Read};
use crate::app;
use crate::app::figure::{Look, tag};
use crate::problem::ApiError;
use crate::routes::figures::{SVG, acceptable, guarded};
use crate::routes::negotiate::{AppPath, AppQuery, not_modified, tagged};
use crate::state::App;

/// The figure of the report that a job made, drawn from its input and its report: see `POST /v1/figures`.
///
/// It is there as long as the input is: that goes with the job, and where many are kept, before it.
#[utoipa::path(
    get, path = "/v1/jobs/{id}/figure", tag = "jobs", operation_id = "getJobFigure", security((), ("token" = ["read"])),
    params(("id" = String, Path, description = "From the Location of the 202"), Look),
    responses(
        (status = 200, description = "The drawing under a strong ETag", body = String, content_type = "image/svg+xml"),
        (status = 304, description = "If-None-Match names it"),
        (status = 400, description = "The query is malformed", body = Problem, content_type = "application/problem+json"),
        (status = 404, description = "There is none: no such job, or it made a revision, or nothing, or its input is gone", body = Problem, content_type = "application/problem+json"),
        (status = 406, description = "No accepted media type can be made", body = Problem, content_type = "application/problem+json"),
        (status = 409, description = "The job is not over", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "Busy, or the store cannot be used", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn figure(
    State(app): State<App>,
    may: May<Read>,
    AppPath(id): AppPath<String>,
    AppQuery(look): AppQuery<Look>,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    acceptable(&headers)?;
    let drawing = look.drawing()?;
    app::jobs::visible(&app, &may.caller, &id).await?;
    let kept = app::jobs::report(&app, &id).await?;
    let tag = tag(&file_digest(kept.report.as_bytes()), &drawing);
    let svg = if not_modified(&headers, &tag) {
        String::new()
    } else {
        app::jobs::figure(&app, &kept, drawing).await?.svg
    };
    Ok(guarded(tagged(&headers, &tag, SVG, || svg)))
}
