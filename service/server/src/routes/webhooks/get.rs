//! `GET /v1/webhooks/{id}`.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::{Problem, Webhook};

use crate::access::{AdministerAll, May};
use crate::app::webhooks::webhook;
use crate::problem::ApiError;
use crate::routes::negotiate::{AppPath, json};
use crate::state::App;

/// A webhook: what it is told of, whether it is on, and since when it fails.
#[utoipa::path(
    get, path = "/v1/webhooks/{id}", tag = "webhooks", operation_id = "getWebhook", security((), ("token" = ["administer"])),
    params(("id" = String, Path, description = "From the Location of the 201")),
    responses(
        (status = 200, description = "The webhook", body = Webhook),
        (status = 304, description = "If-None-Match names it"),
        (status = 404, description = "There is none", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "The store cannot be used", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn get(
    State(app): State<App>,
    _: May<AdministerAll>,
    AppPath(id): AppPath<String>,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    json(&headers, &webhook(&app, &id).await?.webhook)
}
