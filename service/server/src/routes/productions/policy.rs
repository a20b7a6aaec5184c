//! `GET` and `PUT /v1/productions/{production}/policy`.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::{Policy, Problem, VersionPage};

use crate::access::{Act, Administer, May, Read};
use crate::app::shelf::{agreeable, policy};
use crate::app::submit::sound;
use crate::problem::ApiError;
use crate::routes::conditional::{There, may_store};
use crate::routes::history;
use crate::routes::negotiate::{AppPath, AppQuery, json, tag_of};
use crate::state::App;
use crate::store::Kept;

/// Bytes of a policy.
const MOST: usize = 64 << 10;

/// What a production agreed on; where nothing was stored, what holds without an agreement.
#[utoipa::path(get, path = "/v1/productions/{production}/policy", tag = "profiles", operation_id = "getPolicy", security((), ("token" = ["read"])),
    params(("production" = String, Path, description = "The show")),
    responses(
        (status = 200, description = "The policy", body = Policy),
        (status = 304, description = "If-None-Match names it"),
        (status = 400, description = "The name is malformed", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn get(
    State(app): State<App>,
    _: May<Read>,
    AppPath(production): AppPath<String>,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    sound("production", &production)?;
    json(&headers, &policy(&app, &production).await?)
}

/// Store what a production agreed on. It beats what a submission's query asks for, which beats what its file says.
#[utoipa::path(put, path = "/v1/productions/{production}/policy", tag = "profiles", operation_id = "putPolicy", security((), ("token" = ["administer"])),
    params(("production" = String, Path, description = "The show"),
           ("If-Match" = Option<String>, Header, description = "The tag of the policy that is replaced, or `*`"),
           ("If-None-Match" = Option<String>, Header, description = "`*`: never replace"),
           ("Condyle-Reason" = Option<String>, Header, description = "Why, for the history: one line of at most 500 bytes")),
    request_body = Policy,
    responses(
        (status = 200, description = "Stored", body = Policy),
        (status = 400, description = "The body is malformed, or names a profile that is not there", body = Problem, content_type = "application/problem+json"),
        (status = 409, description = "It was stored meanwhile", body = Problem, content_type = "application/problem+json"),
        (status = 412, description = "If-Match or If-None-Match does not hold", body = Problem, content_type = "application/problem+json"),
        (status = 413, description = "Too large", body = Problem, content_type = "application/problem+json"),
        (status = 428, description = "This service replaces it only with If-Match", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "The store cannot be used", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn put(
    State(app): State<App>,
    _: May<Administer>,
    act: Act,
    AppPath(production): AppPath<String>,
    headers: HeaderMap,
    body: axum::body::Body,
) -> Result<Response, ApiError> {
    sound("production", &production)?;
    let text = crate::submission::text(body, "policy", MOST).await?;
    let agreed: Policy = serde_json::from_str(&text)
        .map_err(|error| ApiError::InvalidRequest(format!("the policy cannot be read: {error}")))?;
    agreeable(&app, &agreed).await?;
    act.explained(&app)?;
    let seen = app.store.version(Kept::Policy, &production).await?;
    let tag = tag_of(&policy(&app, &production).await?)?;
    let conditional = may_store(&app, &headers, &There { tag: Some(tag), stored: seen > 0 })?;
    let body = serde_json::to_string(&agreed).map_err(|error| ApiError::Internal(error.to_string()))?;
    let seen = conditional.then_some(seen);
    if !app.store.put_policy(&production, &body, seen, &act, crate::clock::now_ms()).await? {
        return Err(ApiError::Conflict(format!("the policy of {production} was stored meanwhile")));
    }
    json(&HeaderMap::new(), &agreed)
}

/// Every state of a production's policy, the newest first: when, who and why.
#[utoipa::path(get, path = "/v1/productions/{production}/policy/history", tag = "profiles", operation_id = "getPolicyHistory",
    security((), ("token" = ["read"])),
    params(("production" = String, Path, description = "The show"), history::Page),
    responses(
        (status = 200, description = "A page of states", body = VersionPage),
        (status = 304, description = "If-None-Match names it"),
        (status = 400, description = "The name or the query is wrong", body = Problem, content_type = "application/problem+json"),
        (status = 404, description = "No policy was stored", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn past(
    State(app): State<App>,
    _: May<Read>,
    AppPath(production): AppPath<String>,
    AppQuery(page): AppQuery<history::Page>,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    sound("production", &production)?;
    let path = format!("/v1/productions/{production}/policy/history");
    history::answer(&app, &headers, (Kept::Policy, &production), &page, &path).await
}
