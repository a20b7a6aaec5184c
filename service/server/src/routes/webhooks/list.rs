//! `GET /v1/webhooks`.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::{Problem, WebhookList};

use crate::access::{AdministerAll, May};
use crate::app::webhooks::webhooks;
use crate::problem::ApiError;
use crate::routes::negotiate::json;
use crate::state::App;

/// The webhooks, the oldest first.
#[utoipa::path(
    get, path = "/v1/webhooks", tag = "webhooks", operation_id = "listWebhooks", security((), ("token" = ["administer"])),
    responses(
        (status = 200, description = "All of them", body = WebhookList),
        (status = 304, description = "If-None-Match names it"),
        (status = 503, description = "The store cannot be used", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn list(
    State(app): State<App>,
    _: May<AdministerAll>,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    json(&headers, &WebhookList { items: webhooks(&app).await? })
}
