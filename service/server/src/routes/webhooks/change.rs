//! `PUT /v1/webhooks/{id}`.

use axum::body::Body;
use axum::extract::State;
use axum::http::{HeaderMap, header};
use axum::response::Response;
use condyle_api::{Problem, Webhook, WebhookRequest};

use super::object;
use crate::access::{Act, AdministerAll, May};
use crate::app::audit;
use crate::app::webhooks::change;
use crate::problem::ApiError;
use crate::routes::negotiate::{AppPath, json, list};
use crate::state::App;

/// Change a webhook: its members become those of the body. Its secret stays.
///
/// Turned on again, it begins with what waits; `POST …/replay` brings what happened while it was off.
#[utoipa::path(
    put, path = "/v1/webhooks/{id}", tag = "webhooks", operation_id = "changeWebhook", security((), ("token" = ["administer"])), request_body = WebhookRequest,
    params(("id" = String, Path, description = "From the Location of the 201"),
           ("If-Match" = Option<String>, Header, description = "The tag of the webhook as it was read")),
    responses(
        (status = 200, description = "As it is now", body = Webhook),
        (status = 400, description = "The request is malformed", body = Problem, content_type = "application/problem+json"),
        (status = 404, description = "There is none", body = Problem, content_type = "application/problem+json"),
        (status = 412, description = "If-Match does not hold, or somebody else changed it meanwhile", body = Problem, content_type = "application/problem+json"),
        (status = 413, description = "The body is too large", body = Problem, content_type = "application/problem+json"),
        (status = 422, description = "Nothing is sent to this URL", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "The store cannot be used", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn change_webhook(
    State(app): State<App>,
    _: May<AdministerAll>,
    act: Act,
    AppPath(id): AppPath<String>,
    headers: HeaderMap,
    body: Body,
) -> Result<Response, ApiError> {
    let asked: WebhookRequest = object(body, "webhook").await?;
    let expected = headers.contains_key(header::IF_MATCH).then(|| list(&headers, &header::IF_MATCH));
    let changing = change(&app, &id, asked, expected.as_deref());
    json(&HeaderMap::new(), &audit::around(&app, "webhook.changed", None, &id, &act, changing).await?)
}
