//! `GET /v1/profiles/{name}`.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::{Problem, ProfileEntry};

use crate::access::{May, Read};
use crate::app::shelf::Shelf;
use crate::problem::{ApiError, shown};
use crate::routes::negotiate::{AppPath, json};
use crate::state::App;

/// One profile with the file it was read from.
#[utoipa::path(get, path = "/v1/profiles/{name}", tag = "profiles", operation_id = "getProfile", security((), ("token" = ["read"])),
    params(("name" = String, Path, description = "The profile")),
    responses(
        (status = 200, description = "The profile", body = ProfileEntry),
        (status = 304, description = "If-None-Match names it"),
        (status = 400, description = "The path is malformed", body = Problem, content_type = "application/problem+json"),
        (status = 404, description = "There is none", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn get(
    State(app): State<App>,
    _: May<Read>,
    AppPath(name): AppPath<String>,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    let name = shown(&name);
    let profile = Shelf::open(&app, None).await?.profile(&name, None).map_err(|error| match error {
        ApiError::UnknownProfile { suggestion, .. } => {
            ApiError::NotFound(format!("profile {name}"), suggestion)
        }
        other => other,
    })?;
    json(&headers, &super::entry(&profile, true))
}
