//! `GET /v1/assets/{production}/{asset}`.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::{Asset, Problem};

use super::named;
use crate::access::{May, Read};
use crate::problem::ApiError;
use crate::routes::negotiate::{AppPath, json};
use crate::state::App;

/// An asset with its latest revision.
#[utoipa::path(
    get, path = "/v1/assets/{production}/{asset}", tag = "assets", operation_id = "getAsset", security((), ("token" = ["read"])),
    params(("production" = String, Path, description = "The show"), ("asset" = String, Path, description = "The asset")),
    responses(
        (status = 200, description = "The asset", body = Asset),
        (status = 304, description = "If-None-Match names it"),
        (status = 400, description = "A name is malformed", body = Problem, content_type = "application/problem+json"),
        (status = 404, description = "There is no such asset", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn get(
    State(app): State<App>,
    _: May<Read>,
    AppPath(path): AppPath<(String, String)>,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    let (production, asset) = named(path)?;
    let found = app.store.asset(&production, &asset).await?;
    let found = found.ok_or_else(|| ApiError::not_found(format!("asset {production}/{asset}")))?;
    json(&headers, &found)
}
