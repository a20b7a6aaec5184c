//! `GET /v1/assets/{production}/{asset}`.

use axum::Json;
use axum::extract::State;
use condyle_api::{Asset, Problem};

use crate::app::submit::Address;
use crate::problem::ApiError;
use crate::routes::negotiate::AppPath;
use crate::state::App;

/// An asset with its latest revision.
#[utoipa::path(
    get, path = "/v1/assets/{production}/{asset}", tag = "assets",
    params(("production" = String, Path, description = "The show"), ("asset" = String, Path, description = "The asset")),
    responses(
        (status = 200, description = "The asset", body = Asset),
        (status = 400, description = "A name is malformed", body = Problem, content_type = "application/problem+json"),
        (status = 404, description = "There is no such asset", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn get(
    State(app): State<App>,
    AppPath((production, asset)): AppPath<(String, String)>,
) -> Result<Json<Asset>, ApiError> {
    let at = Address::checked(production, asset, "x".into())?;
    let latest = app.store.revisions(&at.production, &at.asset).await?.into_iter().next();
    let latest = latest.ok_or_else(|| ApiError::NotFound(format!("asset {}/{}", at.production, at.asset)))?;
    Ok(Json(Asset { production: at.production, asset: at.asset, latest }))
}
