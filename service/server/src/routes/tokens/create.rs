//! `POST /v1/tokens`.

use axum::body::Body;
use axum::extract::State;
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::Response;
use condyle_api::{NewToken, Problem, TokenSecret};

use crate::access::{Act, AdministerAll, May};
use crate::app::tokens;
use crate::problem::ApiError;
use crate::state::App;

/// Make a token. Its secret is in this answer and never shown again; only a digest of it is stored.
#[utoipa::path(
    post, path = "/v1/tokens", tag = "access", operation_id = "createToken", security((), ("token" = ["administer"])), request_body = NewToken,
    params(("Condyle-Reason" = Option<String>, Header, description = "Why, for the audit log")),
    responses(
        (status = 201, description = "The token with its secret", body = TokenSecret),
        (status = 400, description = "The body is malformed", body = Problem, content_type = "application/problem+json"),
        (status = 409, description = "Another token that is not revoked has the name", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "The store cannot be used", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn create(
    State(app): State<App>,
    _: May<AdministerAll>,
    act: Act,
    body: Body,
) -> Result<Response, ApiError> {
    let new: NewToken = super::object(body, "token").await?;
    let now = crate::clock::now_ms();
    let made = tokens::create(&app.store, &app.config.access, new, &act, now).await?;
    let place = HeaderValue::from_str(&format!("/v1/tokens/{}", made.token.id));
    let mut response = super::once(StatusCode::CREATED, made);
    if let Ok(place) = place {
        response.headers_mut().insert(header::LOCATION, place);
    }
    Ok(response)
}
