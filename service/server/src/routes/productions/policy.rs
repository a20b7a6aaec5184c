//! `GET` and `PUT /v1/productions/{production}/policy`.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::{Policy, Problem};

use crate::app::shelf::{agreeable, policy};
use crate::app::submit::sound;
use crate::problem::ApiError;
use crate::routes::negotiate::{AppPath, json};
use crate::state::App;

/// Bytes of a policy.
const MOST: usize = 64 << 10;

/// What a production agreed on; where nothing was stored, what holds without an agreement.
#[utoipa::path(get, path = "/v1/productions/{production}/policy", tag = "profiles", operation_id = "getPolicy",
    params(("production" = String, Path, description = "The show")),
    responses(
        (status = 200, description = "The policy", body = Policy),
        (status = 304, description = "If-None-Match names it"),
        (status = 400, description = "The name is malformed", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn get(
    State(app): State<App>,
    AppPath(production): AppPath<String>,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    sound("production", &production)?;
    json(&headers, &policy(&app, &production).await?)
}

/// Store what a production agreed on. It beats what a submission's query asks for, which beats what its file says.
#[utoipa::path(put, path = "/v1/productions/{production}/policy", tag = "profiles", operation_id = "putPolicy",
    params(("production" = String, Path, description = "The show")),
    request_body = Policy,
    responses(
        (status = 200, description = "Stored", body = Policy),
        (status = 400, description = "The body is malformed, or names a profile that is not there", body = Problem, content_type = "application/problem+json"),
        (status = 413, description = "Too large", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "The store cannot be used", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn put(
    State(app): State<App>,
    AppPath(production): AppPath<String>,
    headers: HeaderMap,
    body: axum::body::Body,
) -> Result<Response, ApiError> {
    sound("production", &production)?;
    let text = crate::submission::text(body, "policy", MOST).await?;
    let agreed: Policy = serde_json::from_str(&text)
        .map_err(|error| ApiError::InvalidRequest(format!("the policy cannot be read: {error}")))?;
    agreeable(&app, &agreed).await?;
    let body = serde_json::to_string(&agreed).map_err(|error| ApiError::Internal(error.to_string()))?;
    app.store.put_policy(&production, &body, crate::clock::now_ms()).await?;
    json(&headers, &agreed)
}
