//! `GET /v1/assets/{production}/{asset}/revisions`.

use axum::Json;
use axum::extract::State;
use condyle_api::{Problem, RevisionList};

use crate::app::submit::Address;
use crate::problem::ApiError;
use crate::routes::negotiate::AppPath;
use crate::state::App;

/// The revisions of an asset, the newest first (at most 1000).
#[utoipa::path(
    get, path = "/v1/assets/{production}/{asset}/revisions", tag = "assets",
    params(("production" = String, Path, description = "The show"), ("asset" = String, Path, description = "The asset")),
    responses(
        (status = 200, description = "The revisions", body = RevisionList),
        (status = 400, description = "A name is malformed", body = Problem, content_type = "application/problem+json"),
        (status = 404, description = "There is no such asset", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn revisions(
    State(app): State<App>,
    AppPath((production, asset)): AppPath<(String, String)>,
) -> Result<Json<RevisionList>, ApiError> {
    let at = Address::checked(production, asset, "x".into())?;
    let items = app.store.revisions(&at.production, &at.asset).await?;
    if items.is_empty() {
        return Err(ApiError::NotFound(format!("asset {}/{}", at.production, at.asset)));
    }
    Ok(Json(RevisionList { items }))
}
