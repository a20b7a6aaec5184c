//! `DELETE /v1/webhooks/{id}`.

use axum::extract::State;
use axum::http::StatusCode;
use condyle_api::Problem;

use crate::access::{Act, AdministerAll, May};
use crate::app::audit;
use crate::app::webhooks::remove;
use crate::problem::ApiError;
use crate::routes::negotiate::AppPath;
use crate::state::App;

/// Delete a webhook with its secrets and its deliveries: what waits is never sent.
#[utoipa::path(
    delete, path = "/v1/webhooks/{id}", tag = "webhooks", operation_id = "deleteWebhook", security((), ("token" = ["administer"])),
    params(("id" = String, Path, description = "From the Location of the 201")),
    responses(
        (status = 204, description = "It is gone"),
        (status = 404, description = "There is none", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "The store cannot be used", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn remove_webhook(
    State(app): State<App>,
    _: May<AdministerAll>,
    act: Act,
    AppPath(id): AppPath<String>,
) -> Result<StatusCode, ApiError> {
    audit::around(&app, "webhook.removed", None, &id, &act, remove(&app, &id)).await?;
    Ok(StatusCode::NO_CONTENT)
}
