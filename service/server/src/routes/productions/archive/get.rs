//! `GET /v1/productions/{production}/archive`.

use axum::extract::State;
use axum::http::{HeaderValue, header};
use axum::response::{IntoResponse as _, Response};
use condyle_api::Problem;

use crate::access::{May, Read};
use crate::app::archive::{MEDIA_TYPE, export::export};
use crate::app::submit::sound;
use crate::problem::ApiError;
use crate::routes::negotiate::AppPath;
use crate::state::App;

/// Export a production: every revision with its report and input, the policy and the trend, as a tar archive.
///
/// The first entry, `manifest.ndjson`, says what follows. An answer that breaks off has no end: the archive is of no use
/// then, and an import says so.
#[utoipa::path(
    get, path = "/v1/productions/{production}/archive", tag = "assets", operation_id = "exportProduction", security((), ("token" = ["read"])),
    params(("production" = String, Path, description = "The show")),
    responses(
        (status = 200, description = "The archive, as a stream", content_type = "application/x-tar"),
        (status = 400, description = "The name is malformed", body = Problem, content_type = "application/problem+json"),
        (status = 404, description = "There is no such production", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "The store cannot be used", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn get(
    State(app): State<App>,
    _: May<Read>,
    AppPath(production): AppPath<String>,
) -> Result<Response, ApiError> {
    sound("production", &production)?;
    let body = export(&app, &production).await?;
    let mut response = ([(header::CONTENT_TYPE, HeaderValue::from_static(MEDIA_TYPE))], body).into_response();
    let name = format!("attachment; filename=\"{production}.tar\"");
    if let Ok(name) = HeaderValue::from_str(&name) {
        response.headers_mut().insert(header::CONTENT_DISPOSITION, name);
    }
    response.headers_mut().insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    Ok(response)
}
