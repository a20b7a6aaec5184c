//! `GET /v1/references/{name}`.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::{Problem, Reference};

use crate::access::{May, Read};
use crate::problem::{ApiError, shown};
use crate::routes::negotiate::{AppPath, json};
use crate::state::App;

/// One reference skeleton, under the tag that `If-Match` takes; `…/file` is its bytes.
#[utoipa::path(get, path = "/v1/references/{name}", tag = "profiles", operation_id = "getReferenceSkeleton",
    security((), ("token" = ["read"])),
    params(("name" = String, Path, description = "The reference")),
    responses(
        (status = 200, description = "The reference", body = Reference),
        (status = 304, description = "If-None-Match names it"),
        (status = 404, description = "There is no such reference", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn one(
    State(app): State<App>,
    _: May<Read>,
    AppPath(name): AppPath<String>,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    let all = app.store.references().await?;
    let there = all.get(&name).ok_or_else(|| ApiError::not_found(format!("reference {}", shown(&name))))?;
    json(&headers, &super::entry(&name, there))
}
