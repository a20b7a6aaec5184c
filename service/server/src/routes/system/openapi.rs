//! `GET /openapi.json`.

use std::sync::LazyLock;

use axum::http::HeaderMap;
use axum::response::Response;

use crate::routes::negotiate::tagged;

/// The description of this service.
#[utoipa::path(get, path = "/openapi.json", tag = "system", operation_id = "getDescription",
    responses((status = 200, description = "OpenAPI 3.1", body = Object), (status = 304, description = "If-None-Match names it")))]
pub async fn openapi(headers: HeaderMap) -> Response {
    static MADE: LazyLock<(String, String)> = LazyLock::new(|| {
        let text = crate::openapi::document();
        let tag = format!("\"{}\"", &condyle_core::intake::file_digest(text.as_bytes())[..32]);
        (text, tag)
    });
    tagged(&headers, &MADE.1, "application/json", || MADE.0.as_str())
}
