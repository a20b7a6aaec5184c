//! `DELETE /v1/tokens/{id}`.

use axum::extract::State;
use axum::http::StatusCode;
use condyle_api::Problem;

use crate::access::{Act, AdministerAll, May};
use crate::app::tokens;
use crate::problem::ApiError;
use crate::routes::negotiate::AppPath;
use crate::state::App;

/// Revoke a token for good. This process refuses it at once, others within five seconds.
#[utoipa::path(
    delete, path = "/v1/tokens/{id}", tag = "access", operation_id = "revokeToken", security((), ("token" = ["administer"])),
    params(("id" = String, Path, description = "The public part of the token"),
           ("Condyle-Reason" = Option<String>, Header, description = "Why, for the audit log")),
    responses(
        (status = 204, description = "It is revoked, now or before"),
        (status = 400, description = "This is no id", body = Problem, content_type = "application/problem+json"),
        (status = 404, description = "There is no such token", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "The store cannot be used", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn revoke(
    State(app): State<App>,
    _: May<AdministerAll>,
    AppPath(id): AppPath<String>,
    act: Act,
) -> Result<StatusCode, ApiError> {
    tokens::revoke(&app.store, &id, &act, crate::clock::now_ms()).await?;
    app.access.changed();
    Ok(StatusCode::NO_CONTENT)
}
