//! `GET /v1/productions`.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::ProductionList;

use crate::access::{May, Read};
use crate::problem::ApiError;
use crate::routes::negotiate::json;
use crate::state::App;

/// The productions, with the verdicts of their assets' latest revisions.
#[utoipa::path(get, path = "/v1/productions", tag = "assets", operation_id = "listProductions", security((), ("token" = ["read"])),
    responses((status = 200, description = "The productions by name", body = ProductionList),
              (status = 304, description = "If-None-Match names it")))]
pub async fn list(State(app): State<App>, may: May<Read>, headers: HeaderMap) -> Result<Response, ApiError> {
    let mut items = app.store.productions().await?;
    items.retain(|one| may.caller.reach().covers(&one.production));
    json(&headers, &ProductionList { items })
}
