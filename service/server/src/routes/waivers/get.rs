//! `GET /v1/waivers/{production}`.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::{Problem, WaiverEntry};

use crate::access::{May, Read};
use crate::app::submit::sound;
use crate::app::waivers::waivers;
use crate::problem::ApiError;
use crate::routes::negotiate::{AppPath, json};
use crate::state::App;

/// The waivers of a production, those past their day among them; an empty list where none were stored.
#[utoipa::path(get, path = "/v1/waivers/{production}", tag = "profiles", operation_id = "getWaivers",
    security((), ("token" = ["read"])),
    params(("production" = String, Path, description = "The show")),
    responses(
        (status = 200, description = "The waivers as they were stored", body = Vec<WaiverEntry>),
        (status = 304, description = "If-None-Match names it"),
        (status = 400, description = "The name is malformed", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn get(
    State(app): State<App>,
    _: May<Read>,
    AppPath(production): AppPath<String>,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    sound("production", &production)?;
    json(&headers, &waivers(&app, &production).await?.1)
}
