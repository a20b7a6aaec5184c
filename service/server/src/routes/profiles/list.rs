//! `GET /v1/profiles`.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::ProfileList;
use condyle_core::check::{Profile, builtin_names};

use crate::access::{May, Read};
use crate::app::shelf::Shelf;
use crate::problem::ApiError;
use crate::routes::negotiate::json;
use crate::state::App;

/// The built-in profiles and the stored ones.
#[utoipa::path(get, path = "/v1/profiles", tag = "profiles", operation_id = "listProfiles", security((), ("token" = ["read"])),
    responses((status = 200, description = "The profiles by name", body = ProfileList),
              (status = 304, description = "If-None-Match names it")))]
pub async fn list(State(app): State<App>, _: May<Read>, headers: HeaderMap) -> Result<Response, ApiError> {
    let shelf = Shelf::open(&app, None).await?;
    // A stored profile whose base has changed under it may not be readable any more; it is left out, not the list.
    let stored = shelf.profiles().values().filter_map(|text| shelf.read(text).ok());
    let mut items: Vec<_> = builtin_names()
        .filter_map(Profile::builtin)
        .chain(stored)
        .map(|profile| super::entry(&profile, false))
        .collect();
    items.sort_by(|a, b| a.name.cmp(&b.name));
    json(&headers, &ProfileList { items })
}
