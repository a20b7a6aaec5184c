//! `GET /v1/catalogue`.

use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::Catalogue;
use condyle_core::check::{CATALOGUE_VERSION, CHECKS, Catalogue as Versions};

use crate::problem::ApiError;
use crate::routes::negotiate::json;

/// Every check.
#[utoipa::path(get, path = "/v1/catalogue", tag = "catalogue", operation_id = "getCatalogue",
    responses((status = 200, description = "The checks by id", body = Catalogue),
              (status = 304, description = "If-None-Match names it")))]
pub async fn list(headers: HeaderMap) -> Result<Response, ApiError> {
    let checks = CHECKS.iter().map(|check| super::entry(check, false)).collect();
    let versions = Versions::versions().map(str::to_owned).collect();
    json(&headers, &Catalogue { version: CATALOGUE_VERSION.to_owned(), versions, checks })
}
