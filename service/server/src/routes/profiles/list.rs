//! `GET /v1/profiles`.

use axum::Json;
use condyle_api::ProfileList;
use condyle_core::check::{Profile, builtin_names};

/// The built-in profiles.
#[utoipa::path(get, path = "/v1/profiles", tag = "profiles",
    responses((status = 200, description = "The profiles by name", body = ProfileList)))]
pub async fn list() -> Json<ProfileList> {
    let items =
        builtin_names().filter_map(Profile::builtin).map(|profile| super::entry(&profile, false)).collect();
    Json(ProfileList { items })
}
