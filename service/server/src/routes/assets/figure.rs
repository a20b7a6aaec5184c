//! `GET /v1/assets/{production}/{asset}/revisions/{label}/figure`.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::Problem;

use crate::access::{May, Read};
use crate::app::figure::{Look, of_revision, tag};
use crate::problem::ApiError;
use crate::routes::figures::{SVG, acceptable, guarded};
use crate::routes::negotiate::{AppPath, AppQuery, not_modified, tagged};
use crate::state::App;

/// The figure of a revision, drawn from its input and its report: see `POST /v1/figures`.
///
/// It is not stored: the tag follows from the report and the query, and the bytes from the input and both.
#[utoipa::path(
    get, path = "/v1/assets/{production}/{asset}/revisions/{label}/figure", tag = "assets", operation_id = "getFigure", security((), ("token" = ["read"])),
    params(("production" = String, Path, description = "The show"), ("asset" = String, Path, description = "The asset"),
           ("label" = String, Path, description = "The label"), Look),
    responses(
        (status = 200, description = "The drawing under a strong ETag", body = String, content_type = "image/svg+xml"),
        (status = 304, description = "If-None-Match names it"),
        (status = 400, description = "A name or the query is malformed", body = Problem, content_type = "application/problem+json"),
        (status = 404, description = "There is none", body = Problem, content_type = "application/problem+json"),
        (status = 406, description = "No accepted media type can be made", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "Busy, or the store cannot be used", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn figure(
    State(app): State<App>,
    _: May<Read>,
    AppPath(path): AppPath<(String, String, String)>,
    AppQuery(look): AppQuery<Look>,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    acceptable(&headers)?;
    let drawing = look.drawing()?;
    let found = super::whole(&app, path).await?;
    let tag = tag(&found.report_sha256, &drawing);
    let svg = if not_modified(&headers, &tag) {
        String::new()
    } else {
        of_revision(&app, found, drawing).await?.svg
    };
    Ok(guarded(tagged(&headers, &tag, SVG, || svg)))
}
