//! `/v1/figures`.

pub mod post;

use axum::http::{HeaderMap, HeaderValue, header};
use axum::response::Response;

use crate::problem::ApiError;
use crate::routes::negotiate::wishes;

/// The media type of figures.
pub(super) const SVG: &str = "image/svg+xml";

/// Refuses a caller who takes no SVG.
pub(super) fn acceptable(headers: &HeaderMap) -> Result<(), ApiError> {
    if wishes(headers, "image", "svg+xml") > 0.0 { Ok(()) } else { Err(ApiError::NotAcceptable) }
}

/// What keeps a drawing harmless where it is opened as a document: it runs and fetches nothing.
pub(super) fn guarded(mut response: Response) -> Response {
    let policy = HeaderValue::from_static("default-src 'none'; frame-ancestors 'self'");
    response.headers_mut().insert(header::CONTENT_SECURITY_POLICY, policy);
    response.headers_mut().insert(header::X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    response
}
