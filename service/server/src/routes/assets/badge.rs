//! `GET /v1/assets/{production}/{asset}/badge.svg`.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::Problem;

use super::named;
use crate::access::{May, Read};
use crate::problem::ApiError;
use crate::routes::badge;
use crate::routes::negotiate::AppPath;
use crate::state::App;

/// An asset's verdict as a small picture.
#[utoipa::path(
    get, path = "/v1/assets/{production}/{asset}/badge.svg", tag = "assets", operation_id = "getAssetBadge", security((), ("token" = ["read"])),
    params(("production" = String, Path, description = "The show"), ("asset" = String, Path, description = "The asset")),
    responses(
        (status = 200, description = "The picture, with its text as its title", body = String, content_type = "image/svg+xml"),
        (status = 304, description = "If-None-Match names it"),
        (status = 400, description = "A name is malformed", body = Problem, content_type = "application/problem+json"),
        (status = 404, description = "There is no such asset", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn badge(
    State(app): State<App>,
    _: May<Read>,
    AppPath(path): AppPath<(String, String)>,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    let (production, asset) = named(path)?;
    let found = app.store.asset(&production, &asset).await?;
    let found = found.ok_or_else(|| ApiError::not_found(format!("asset {production}/{asset}")))?;
    let verdict = found.latest.verdict;
    Ok(badge::answer(&headers, &asset, verdict.word(), verdict))
}
