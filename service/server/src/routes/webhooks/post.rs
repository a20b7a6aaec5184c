//! `POST /v1/webhooks`.

use axum::body::Body;
use axum::extract::State;
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::Response;
use condyle_api::{Problem, WebhookRequest, WebhookSecret};

use super::{confidential, object};
use crate::access::{Act, AdministerAll, May};
use crate::app::audit;
use crate::app::webhooks::register;
use crate::problem::ApiError;
use crate::state::App;

/// Register a webhook: from now on messages are sent to it by POST, signed by the Standard Webhooks scheme.
///
/// The secret is in this answer and in no other. A message has the headers `webhook-id` (the same in every attempt, so
/// that a receiver can tell what it has seen), `webhook-timestamp` and `webhook-signature`, and a WebhookMessage as its
/// body. Any 2xx accepts it; whatever else comes, or nothing, means another attempt after a pause that grows. What fails
/// too often is given up and can be replayed. 410 turns the webhook off.
#[utoipa::path(
    post, path = "/v1/webhooks", tag = "webhooks", operation_id = "registerWebhook", security((), ("token" = ["administer"])), request_body = WebhookRequest,
    responses(
        (status = 201, description = "Registered; Location is the webhook", body = WebhookSecret),
        (status = 400, description = "The request is malformed, or there are too many already", body = Problem, content_type = "application/problem+json"),
        (status = 413, description = "The body is too large", body = Problem, content_type = "application/problem+json"),
        (status = 422, description = "Nothing is sent to this URL", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "The store cannot be used", body = Problem, content_type = "application/problem+json"),
        (status = 507, description = "The disk is full", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn post(
    State(app): State<App>,
    _: May<AdministerAll>,
    act: Act,
    body: Body,
) -> Result<Response, ApiError> {
    let asked: WebhookRequest = object(body, "webhook").await?;
    // The host alone: the rest of a URL may be a secret of the receiver's.
    let host = reqwest::Url::parse(&asked.url).ok().and_then(|url| url.host_str().map(str::to_owned));
    let (host, registering) = (host.as_deref().unwrap_or("?"), register(&app, asked));
    let made = audit::around(&app, "webhook.registered", None, host, &act, registering).await?;
    let place = HeaderValue::from_str(&format!("/v1/webhooks/{}", made.webhook.id));
    let mut response = confidential(StatusCode::CREATED, made);
    if let Ok(place) = place {
        response.headers_mut().insert(header::LOCATION, place);
    }
    Ok(response)
}
