//! `/v1/tokens`.

pub mod create;
pub mod list;
pub mod revoke;
pub mod rotate;

use axum::body::Body;
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse as _, Response};
use condyle_api::TokenSecret;
use serde::de::DeserializeOwned;

use crate::problem::ApiError;

/// Bytes of a request.
const MOST: usize = 64 << 10;

/// A small JSON object; nothing at all is an empty one.
async fn object<T: DeserializeOwned>(body: Body, what: &'static str) -> Result<T, ApiError> {
    let text = crate::submission::text(body, what, MOST).await?;
    let text = if text.trim().is_empty() { "{}" } else { &text };
    // By way of the object: a list would be taken for the members in their order.
    serde_json::from_str::<serde_json::Map<String, serde_json::Value>>(text)
        .and_then(|members| serde_json::from_value(members.into()))
        .map_err(|error| ApiError::InvalidRequest(format!("the {what} cannot be read: {error}")))
}

/// A secret, shown once and kept by nobody on its way.
fn once(status: StatusCode, made: TokenSecret) -> Response {
    let mut response = (status, axum::Json(made)).into_response();
    response.headers_mut().insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    response
}
