//! `POST /v1/rechecks`.

use axum::Json;
use axum::body::Body;
use axum::extract::{OriginalUri, State};
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use axum::response::{IntoResponse as _, Response};
use condyle_api::{Problem, Recheck, RecheckRequest, Scope};

use crate::access::{Act, Administer, May, Reach};
use crate::app::audit;
use crate::app::recheck::begin;
use crate::problem::ApiError;
use crate::routes::once::{Asked, once_text};
use crate::state::App;
use crate::submission::text;

/// Bytes of a request.
const MOST: usize = 64 << 10;

/// Check again the latest revision of every asset, or of those that a filter chooses.
///
/// The stored bytes are checked by today's catalogue and the profile that is asked for, and compared with the stored
/// report: what differs comes from the rules, for the bytes are the same. Stored revisions and their reports stay as they
/// are. Every asset is a job in bulk.
#[utoipa::path(
    post, path = "/v1/rechecks", tag = "rechecks", operation_id = "beginRecheck", security((), ("token" = ["administer"])), request_body = RecheckRequest,
    params(("Idempotency-Key" = Option<String>, Header, description = "The same request with the same key gets the same answer again, for a day unless configured")),
    responses(
        (status = 202, description = "Begun; Location is the campaign", body = Recheck),
        (status = 400, description = "The request is malformed, or names no profile or check", body = Problem, content_type = "application/problem+json"),
        (status = 409, description = "A request with the same Idempotency-Key is being answered", body = Problem, content_type = "application/problem+json"),
        (status = 422, description = "The Idempotency-Key came with another request", body = Problem, content_type = "application/problem+json"),
        (status = 413, description = "The body is too large", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "The store cannot be used", body = Problem, content_type = "application/problem+json"),
        (status = 507, description = "The disk is full", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn post(
    State(app): State<App>,
    may: May<Administer>,
    method: Method,
    OriginalUri(uri): OriginalUri,
    headers: HeaderMap,
    act: Act,
    body: Body,
) -> Result<Response, ApiError> {
    let body = text(body, "recheck", MOST).await?;
    let asked = Asked { method: &method, uri: &uri, headers: &headers, caller: &may.caller };
    once_text(&app, asked, body, |body, id| start(&app, &may, &act, body, id)).await
}

async fn start(
    app: &App,
    may: &May<Administer>,
    act: &Act,
    body: String,
    id: String,
) -> Result<Response, ApiError> {
    let request: RecheckRequest = if body.trim().is_empty() {
        RecheckRequest::default()
    } else {
        // By way of the object: a list would be taken for the members in their order.
        serde_json::from_str::<serde_json::Map<String, serde_json::Value>>(&body)
            .and_then(|members| serde_json::from_value(members.into()))
            .map_err(|error| ApiError::InvalidRequest(format!("the campaign cannot be read: {error}")))?
    };
    // A token of some productions begins campaigns of one of them.
    let production = request.production.clone();
    if production.is_none() && *may.caller.reach() != Reach::All {
        return Err(ApiError::NotPermitted {
            scope: Scope::Administer,
            detail: "the campaign is about all productions, and the token is for some; name one".into(),
        });
    }
    may.within(production.as_deref())?;
    let beginning = begin(app, request, id.clone());
    let begun = audit::around(app, "recheck.begun", production.as_deref(), &id, act, beginning).await?;
    let place = HeaderValue::from_str(&format!("/v1/rechecks/{}", begun.id));
    let mut response = (StatusCode::ACCEPTED, Json(begun)).into_response();
    if let Ok(place) = place {
        response.headers_mut().insert(header::LOCATION, place);
    }
    Ok(response)
}
