//! `PUT /v1/waivers/{production}`.

use axum::body::Body;
use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::{Problem, WaiverEntry};

use crate::access::{Act, Administer, May};
use crate::app::submit::sound;
use crate::app::waivers::{read, waivers};
use crate::problem::ApiError;
use crate::routes::conditional::{There, may_store};
use crate::routes::negotiate::{AppPath, json, tag_of};
use crate::state::App;
use crate::store::Kept;

/// Bytes of a list.
const MOST: usize = 1 << 20;

/// Store the waivers of a production, in the place of those that were there.
///
/// They count for every submission to it and every re-check of it from now on, beside those that files and requests
/// bring. Reports that were made stay as they are; `POST /v1/rechecks` tells what they would be.
#[utoipa::path(put, path = "/v1/waivers/{production}", tag = "profiles", operation_id = "putWaivers",
    security((), ("token" = ["administer"])),
    params(("production" = String, Path, description = "The show"),
           ("If-Match" = Option<String>, Header, description = "The tag of the list that is replaced, or `*`"),
           ("If-None-Match" = Option<String>, Header, description = "`*`: never replace"),
           ("Condyle-Reason" = Option<String>, Header, description = "Why, for the history: one line of at most 500 bytes")),
    request_body = Vec<WaiverEntry>,
    responses(
        (status = 200, description = "Stored", body = Vec<WaiverEntry>),
        (status = 400, description = "The request is malformed", body = Problem, content_type = "application/problem+json"),
        (status = 409, description = "It was stored meanwhile", body = Problem, content_type = "application/problem+json"),
        (status = 412, description = "If-Match or If-None-Match does not hold", body = Problem, content_type = "application/problem+json"),
        (status = 413, description = "Too large", body = Problem, content_type = "application/problem+json"),
        (status = 422, description = "A waiver cannot be read", body = Problem, content_type = "application/problem+json"),
        (status = 428, description = "This service replaces it only with If-Match", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "The store cannot be used", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn put(
    State(app): State<App>,
    _: May<Administer>,
    AppPath(production): AppPath<String>,
    headers: HeaderMap,
    act: Act,
    body: Body,
) -> Result<Response, ApiError> {
    sound("production", &production)?;
    let text = crate::submission::text(body, "waivers", MOST).await?;
    let (_, list) = read(&text)?;
    act.explained(&app)?;
    let seen = app.store.version(Kept::Waivers, &production).await?;
    let tag = tag_of(&waivers(&app, &production).await?.1)?;
    let conditional = may_store(&app, &headers, &There { tag: Some(tag), stored: seen > 0 })?;
    let seen = conditional.then_some(seen);
    let now = crate::clock::now_ms();
    if !app.store.put_waivers(&production, &list.to_string(), seen, &act, now).await? {
        return Err(ApiError::Conflict(format!("the waivers of {production} were stored meanwhile")));
    }
    json(&HeaderMap::new(), &list)
}
