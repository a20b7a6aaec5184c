//! `GET /v1/assets/{production}/{asset}/revisions/{label}`.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::{Problem, Revision};

use crate::access::{May, Read};
use crate::app::submit::{Address, tag};
use crate::problem::ApiError;
use crate::routes::negotiate::{AppPath, tagged};
use crate::state::App;

/// One revision.
#[utoipa::path(
    get, path = "/v1/assets/{production}/{asset}/revisions/{label}", tag = "assets", operation_id = "getRevision", security((), ("token" = ["read"])),
    params(("production" = String, Path, description = "The show"), ("asset" = String, Path, description = "The asset"),
           ("label" = String, Path, description = "The label")),
    responses(
        (status = 200, description = "The revision; its ETag is for If-Match", body = Revision),
        (status = 304, description = "If-None-Match names it"),
        (status = 400, description = "A name is malformed", body = Problem, content_type = "application/problem+json"),
        (status = 404, description = "There is none", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn revision(
    State(app): State<App>,
    _: May<Read>,
    AppPath(path): AppPath<(String, String, String)>,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    let at = Address::checked(path.0, path.1, path.2)?;
    let found = app.store.revision(&at.production, &at.asset, &at.label).await?;
    let found = found.ok_or_else(|| super::missing(&at))?;
    let text = serde_json::to_string(&found).map_err(|error| ApiError::Internal(error.to_string()))?;
    Ok(tagged(&headers, &tag(&found), "application/json", || text))
}
