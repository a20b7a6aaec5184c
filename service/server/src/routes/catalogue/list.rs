//! `GET /v1/catalogue`.

use axum::Json;
use condyle_api::Catalogue;
use condyle_core::check::{CATALOGUE_VERSION, CHECKS};

/// Every check.
#[utoipa::path(get, path = "/v1/catalogue", tag = "catalogue",
    responses((status = 200, description = "The checks by id", body = Catalogue)))]
pub async fn list() -> Json<Catalogue> {
    let checks = CHECKS.iter().map(|check| super::entry(check, false)).collect();
    Json(Catalogue { version: CATALOGUE_VERSION.to_owned(), checks })
}
