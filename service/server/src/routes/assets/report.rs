//! `GET /v1/assets/{production}/{asset}/revisions/{label}/report`.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::Problem;
use condyle_core::report::Report;

use crate::access::{May, Read};
use crate::problem::ApiError;
use crate::routes::negotiate::{AppPath, Form, input_name, tagged};
use crate::state::App;

/// The report of a revision, as it was made.
#[utoipa::path(
    get, path = "/v1/assets/{production}/{asset}/revisions/{label}/report", tag = "assets", operation_id = "getReport", security((), ("token" = ["read"])),
    params(("production" = String, Path, description = "The show"), ("asset" = String, Path, description = "The asset"),
           ("label" = String, Path, description = "The label")),
    responses(
        (status = 200, description = "The report under a strong ETag", content((Report = "application/json"), (String = "text/plain"), (String = "application/sarif+json"), (String = "application/xml"), (String = "text/markdown"), (String = "text/html"))),
        (status = 304, description = "If-None-Match names it"),
        (status = 400, description = "A name is malformed", body = Problem, content_type = "application/problem+json"),
        (status = 404, description = "There is none", body = Problem, content_type = "application/problem+json"),
        (status = 406, description = "No accepted media type can be made", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn report(
    State(app): State<App>,
    _: May<Read>,
    AppPath(path): AppPath<(String, String, String)>,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    let form = Form::of(&headers)?;
    let found = super::whole(&app, path).await?;
    let digest = &found.report_sha256[..32.min(found.report_sha256.len())];
    let tag = format!("\"{digest}-{}\"", form.word());
    let body = if form == Form::Json {
        found.report
    } else {
        let report: Report =
            serde_json::from_str(&found.report).map_err(|error| ApiError::Internal(error.to_string()))?;
        form.render(&report, &input_name(&report))
    };
    Ok(tagged(&headers, &tag, form.content_type(), || body))
}
