//! `POST /v1/webhooks/{id}/deliveries/{delivery}/replay`.

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse as _, Response};
use condyle_api::{Delivery, Problem};

use crate::access::{Act, AdministerAll, May};
use crate::app::audit;
use crate::app::webhooks;
use crate::problem::ApiError;
use crate::routes::negotiate::AppPath;
use crate::state::App;

/// Send one message again, whatever became of it: the same id and body, as many attempts as a new one has.
#[utoipa::path(
    post, path = "/v1/webhooks/{id}/deliveries/{delivery}/replay", tag = "webhooks", operation_id = "replayDelivery", security((), ("token" = ["administer"])),
    params(("id" = String, Path, description = "From the Location of the 201"),
           ("delivery" = String, Path, description = "The id of the message")),
    responses(
        (status = 202, description = "It waits to be sent", body = Delivery),
        (status = 404, description = "There is no such webhook or delivery", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "The store cannot be used", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn replay_one(
    State(app): State<App>,
    _: May<AdministerAll>,
    act: Act,
    AppPath((id, delivery)): AppPath<(String, String)>,
) -> Result<Response, ApiError> {
    let replaying = webhooks::replay_one(&app, &id, &delivery);
    let waiting = audit::around(&app, "webhook.replayed", None, &id, &act, replaying).await?;
    Ok((StatusCode::ACCEPTED, Json(waiting)).into_response())
}
