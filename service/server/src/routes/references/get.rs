//! `GET /v1/references`.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::ReferenceList;

use crate::access::{May, Read};
use crate::problem::ApiError;
use crate::routes::negotiate::json;
use crate::state::App;

/// The stored reference skeletons.
#[utoipa::path(get, path = "/v1/references", tag = "profiles", operation_id = "listReferences", security((), ("token" = ["read"])),
    responses((status = 200, description = "The references by name", body = ReferenceList),
              (status = 304, description = "If-None-Match names it")))]
pub async fn get(State(app): State<App>, _: May<Read>, headers: HeaderMap) -> Result<Response, ApiError> {
    let items =
        app.store.references().await?.iter().map(|(name, stored)| super::entry(name, stored)).collect();
    json(&headers, &ReferenceList { items })
}
