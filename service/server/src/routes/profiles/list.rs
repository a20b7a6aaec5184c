//! `GET /v1/profiles`.

use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::ProfileList;
use condyle_core::check::{Profile, builtin_names};

use crate::problem::ApiError;
use crate::routes::negotiate::json;

/// The built-in profiles.
#[utoipa::path(get, path = "/v1/profiles", tag = "profiles", operation_id = "listProfiles",
    responses((status = 200, description = "The profiles by name", body = ProfileList),
              (status = 304, description = "If-None-Match names it")))]
pub async fn list(headers: HeaderMap) -> Result<Response, ApiError> {
    let items =
        builtin_names().filter_map(Profile::builtin).map(|profile| super::entry(&profile, false)).collect();
    json(&headers, &ProfileList { items })
}
