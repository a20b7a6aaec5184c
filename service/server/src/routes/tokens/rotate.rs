//! `POST /v1/tokens/{id}/rotate`.

use axum::body::Body;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;
use condyle_api::{Problem, Rotation, TokenSecret};

use crate::access::{Act, AdministerAll, May};
use crate::app::tokens;
use crate::problem::ApiError;
use crate::routes::negotiate::AppPath;
use crate::state::App;

/// Give a token another secret. The old one is good for `overlap_s` seconds more, so that its holder can change over;
/// the one before that no longer is.
#[utoipa::path(
    post, path = "/v1/tokens/{id}/rotate", tag = "access", operation_id = "rotateToken", security((), ("token" = ["administer"])), request_body = Rotation,
    params(("id" = String, Path, description = "The public part of the token"),
           ("Condyle-Reason" = Option<String>, Header, description = "Why, for the audit log")),
    responses(
        (status = 200, description = "The token with its new secret, which is never shown again", body = TokenSecret),
        (status = 400, description = "This is no id, or the body is malformed", body = Problem, content_type = "application/problem+json"),
        (status = 404, description = "There is no such token that is not revoked", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "The store cannot be used", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn rotate(
    State(app): State<App>,
    _: May<AdministerAll>,
    AppPath(id): AppPath<String>,
    act: Act,
    body: Body,
) -> Result<Response, ApiError> {
    let how: Rotation = super::object(body, "rotation").await?;
    let now = crate::clock::now_ms();
    let made = tokens::rotate(&app.store, &app.config.access, &id, how, &act, now).await?;
    app.access.changed();
    Ok(super::once(StatusCode::OK, made))
}
