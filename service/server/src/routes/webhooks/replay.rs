//! `POST /v1/webhooks/{id}/replay`.

use axum::Json;
use axum::body::Body;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse as _, Response};
use condyle_api::{Problem, Replay, ReplayRequest};

use super::object;
use crate::access::{Act, AdministerAll, May};
use crate::app::audit;
use crate::app::webhooks;
use crate::problem::ApiError;
use crate::routes::negotiate::AppPath;
use crate::state::App;

/// Send again what happened since a time, also what happened while the webhook was off or not yet there.
///
/// It goes back as far as the log of events does. One request looks at 10,000 events; `more` says that there are others.
#[utoipa::path(
    post, path = "/v1/webhooks/{id}/replay", tag = "webhooks", operation_id = "replayWebhook", security((), ("token" = ["administer"])),
    request_body = ReplayRequest,
    params(("id" = String, Path, description = "From the Location of the 201")),
    responses(
        (status = 202, description = "What waits to be sent now", body = Replay),
        (status = 400, description = "The request is malformed", body = Problem, content_type = "application/problem+json"),
        (status = 404, description = "There is none", body = Problem, content_type = "application/problem+json"),
        (status = 413, description = "The body is too large", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "The store cannot be used", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn replay(
    State(app): State<App>,
    _: May<AdministerAll>,
    act: Act,
    AppPath(id): AppPath<String>,
    body: Body,
) -> Result<Response, ApiError> {
    let asked: ReplayRequest = object(body, "replay").await?;
    let replaying = webhooks::replay_since(&app, &id, &asked);
    let queued = audit::around(&app, "webhook.replayed", None, &id, &act, replaying).await?;
    Ok((StatusCode::ACCEPTED, Json(queued)).into_response())
}
