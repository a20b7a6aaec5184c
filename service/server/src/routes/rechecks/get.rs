//! `GET /v1/rechecks/{id}`.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::{Problem, Recheck};

use crate::access::{May, Read};
use crate::app::recheck::{campaign, visible};
use crate::problem::ApiError;
use crate::routes::negotiate::{AppPath, json};
use crate::state::App;

/// A campaign: where it stands, and how far it is.
#[utoipa::path(
    get, path = "/v1/rechecks/{id}", tag = "rechecks", operation_id = "getRecheck", security((), ("token" = ["read"])),
    params(("id" = String, Path, description = "From the Location of the 202")),
    responses(
        (status = 200, description = "The campaign", body = Recheck),
        (status = 304, description = "If-None-Match names it"),
        (status = 404, description = "There is none", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn get(
    State(app): State<App>,
    may: May<Read>,
    AppPath(id): AppPath<String>,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    visible(&app, &may.caller, &id).await?;
    json(&headers, &campaign(&app, &id).await?)
}
