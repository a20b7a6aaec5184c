//! `GET /v1/jobs/{id}/report`.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::Problem;
use condyle_core::intake::file_digest;
use condyle_core::render::Item;
use condyle_core::report::Report;

use crate::access::{May, Read};
use crate::app;
use crate::problem::ApiError;
use crate::routes::negotiate::{AppPath, Form, input_name, tagged};
use crate::state::App;

/// The report that a job made for `POST /v1/checks`, for as long as the job is kept.
#[utoipa::path(
    get, path = "/v1/jobs/{id}/report", tag = "jobs", operation_id = "getJobReport", security((), ("token" = ["read"])),
    params(("id" = String, Path, description = "From the Location of the 202")),
    responses(
        (status = 200, description = "The report under a strong ETag", content((Report = "application/json"), (String = "text/plain"), (String = "application/sarif+json"), (String = "application/xml"), (String = "text/markdown"), (String = "text/html"), (String = "application/x-ndjson"), (String = "text/vnd.condyle.annotations"), (String = "application/vnd.condyle.code-quality+json"))),
        (status = 304, description = "If-None-Match names it"),
        (status = 404, description = "There is none: no such job, or it made a revision, or nothing", body = Problem, content_type = "application/problem+json"),
        (status = 406, description = "No accepted media type can be made", body = Problem, content_type = "application/problem+json"),
        (status = 409, description = "The job is not over", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn report(
    State(app): State<App>,
    may: May<Read>,
    AppPath(id): AppPath<String>,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    let form = Form::of(&headers)?;
    app::jobs::visible(&app, &may.caller, &id).await?;
    let report = app::jobs::report(&app, &id).await?;
    let tag = format!("\"{}-{}\"", &file_digest(report.as_bytes())[..32], form.word());
    let body = written(form, report)?;
    Ok(tagged(&headers, &tag, form.content_type(), || body))
}

/// A stored report in a form.
pub(in crate::routes) fn written(form: Form, report: String) -> Result<String, ApiError> {
    if form == Form::Json {
        return Ok(report);
    }
    let report: Report =
        serde_json::from_str(&report).map_err(|error| ApiError::Internal(error.to_string()))?;
    Ok(form.render(Item::new(&input_name(&report), &report)))
}
