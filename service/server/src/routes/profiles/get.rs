//! `GET /v1/profiles/{name}`.

use axum::Json;
use condyle_api::{Problem, ProfileEntry};
use condyle_core::check::Profile;

use crate::problem::ApiError;
use crate::routes::negotiate::AppPath;

/// One profile with the file it was read from.
#[utoipa::path(get, path = "/v1/profiles/{name}", tag = "profiles",
    params(("name" = String, Path, description = "The profile")),
    responses(
        (status = 200, description = "The profile", body = ProfileEntry),
        (status = 404, description = "There is none", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn get(AppPath(name): AppPath<String>) -> Result<Json<ProfileEntry>, ApiError> {
    let shown: String = name.chars().take(80).collect();
    let profile = Profile::builtin(&name).ok_or_else(|| ApiError::NotFound(format!("profile {shown}")))?;
    Ok(Json(super::entry(&profile, true)))
}
