//! `/v1/webhooks`.

pub mod change;
pub mod deliveries;
pub mod get;
pub mod list;
pub mod post;
pub mod remove;
pub mod replay;
pub mod replay_one;
pub mod secret;

use axum::Json;
use axum::body::Body;
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse as _, Response};
use condyle_api::WebhookSecret;
use serde::de::DeserializeOwned;

use crate::problem::ApiError;
use crate::submission::text;

/// Bytes of a request.
const MOST: usize = 64 << 10;

/// Reads a JSON object; a list would be taken for the members in their order.
async fn object<T: DeserializeOwned>(body: Body, what: &'static str) -> Result<T, ApiError> {
    let text = text(body, what, MOST).await?;
    serde_json::from_str::<serde_json::Map<String, serde_json::Value>>(&text)
        .and_then(|members| serde_json::from_value(members.into()))
        .map_err(|error| ApiError::InvalidRequest(format!("the {what} cannot be read: {error}")))
}

/// A secret: for the caller alone, and nowhere on the way.
fn confidential(status: StatusCode, told: WebhookSecret) -> Response {
    let mut response = (status, Json(told)).into_response();
    response.headers_mut().insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    response
}
