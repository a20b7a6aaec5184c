//! `POST /v1/webhooks/{id}/secret`.

use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;
use condyle_api::{Problem, WebhookSecret};

use super::confidential;
use crate::access::{Act, AdministerAll, May};
use crate::app::audit;
use crate::app::webhooks::rotate;
use crate::problem::ApiError;
use crate::routes::negotiate::AppPath;
use crate::state::App;

/// Give a webhook another secret, which is in this answer and in no other.
///
/// For a day unless configured, messages are signed by both, so that the receiver can change over in peace.
#[utoipa::path(
    post, path = "/v1/webhooks/{id}/secret", tag = "webhooks", operation_id = "rotateWebhookSecret", security((), ("token" = ["administer"])),
    params(("id" = String, Path, description = "From the Location of the 201")),
    responses(
        (status = 200, description = "The new secret", body = WebhookSecret),
        (status = 404, description = "There is none", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "The store cannot be used", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn secret(
    State(app): State<App>,
    _: May<AdministerAll>,
    act: Act,
    AppPath(id): AppPath<String>,
) -> Result<Response, ApiError> {
    let rotated = audit::around(&app, "webhook.secret-rotated", None, &id, &act, rotate(&app, &id)).await?;
    Ok(confidential(StatusCode::OK, rotated))
}
