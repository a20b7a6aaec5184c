//! `GET /openapi.json`.

use axum::http::HeaderMap;
use axum::response::Response;

use crate::routes::negotiate::tagged;

/// The description of this service.
#[utoipa::path(get, path = "/openapi.json", tag = "system",
    responses((status = 200, description = "OpenAPI 3.1", body = Object), (status = 304, description = "If-None-Match names it")))]
pub async fn openapi(headers: HeaderMap) -> Response {
    let text = crate::openapi::document();
    let tag = format!("\"{}\"", condyle_core::intake::file_digest(text.as_bytes()));
    tagged(&headers, &tag, "application/json", || text)
}
