//! `PUT /v1/profiles/{name}`.

use axum::Json;
use axum::extract::State;
use axum::http::{HeaderMap, HeaderValue, header};
use axum::response::{IntoResponse as _, Response};
use condyle_api::{Problem, ProfileEntry};
use condyle_core::check::builtin_names;

use crate::access::{Act, AdministerAll, May};
use crate::app::shelf::Shelf;
use crate::problem::{ApiError, shown};
use crate::routes::conditional::{There, may_store};
use crate::routes::negotiate::{AppPath, tag_of};
use crate::state::App;

/// Bytes of a profile.
const MOST: usize = 64 << 10;
/// Profiles that are stored: all are read for each check.
const MOST_PROFILES: usize = 200;

/// Store a profile: TOML, or the same as JSON, under its own name.
///
/// It is read before it is stored, with everything it extends; a mistake names its key. `If-Match` with the tag of what is
/// there makes sure that nothing is overwritten unseen; a built-in profile cannot be replaced.
#[utoipa::path(put, path = "/v1/profiles/{name}", tag = "profiles", operation_id = "putProfile", security((), ("token" = ["administer"])),
    params(("name" = String, Path, description = "The profile's own name"),
           ("If-Match" = Option<String>, Header, description = "The tag of what is replaced, or `*`"),
           ("If-None-Match" = Option<String>, Header, description = "`*`: never replace"),
           ("Condyle-Reason" = Option<String>, Header, description = "Why, for the history: one line of at most 500 bytes")),
    request_body(content((String = "application/toml"), (condyle_core::check::ProfileFile = "application/json"))),
    responses(
        (status = 200, description = "Stored", body = ProfileEntry),
        (status = 400, description = "The request is malformed", body = Problem, content_type = "application/problem+json"),
        (status = 409, description = "A built-in profile has the name, somebody else stored it meanwhile, or too many are stored", body = Problem, content_type = "application/problem+json"),
        (status = 412, description = "If-Match does not hold", body = Problem, content_type = "application/problem+json"),
        (status = 413, description = "Too large", body = Problem, content_type = "application/problem+json"),
        (status = 422, description = "The profile cannot be read", body = Problem, content_type = "application/problem+json"),
        (status = 428, description = "This service replaces it only with If-Match", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "The store cannot be used", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn put(
    State(app): State<App>,
    _: May<AdministerAll>,
    AppPath(name): AppPath<String>,
    headers: HeaderMap,
    act: Act,
    body: axum::body::Body,
) -> Result<Response, ApiError> {
    let text = crate::submission::text(body, "profile", MOST).await?;
    let shelf = Shelf::open(&app, None).await?;
    let profile = shelf.read(&text)?;
    if profile.name != name {
        let (own, name) = (shown(&profile.name), shown(&name));
        return Err(ApiError::InvalidRequest(format!("the profile is called {own}, the URL {name}")));
    }
    if builtin_names().any(|builtin| builtin == name) {
        return Err(ApiError::Conflict(format!("{name} is a built-in profile")));
    }
    let before = shelf.profiles().get(&name);
    if before.is_none() && shelf.profiles().len() >= MOST_PROFILES {
        return Err(ApiError::Conflict(format!("{MOST_PROFILES} profiles are stored, and no more can be")));
    }
    act.explained(&app)?;
    let tag = match before {
        // One whose base changed under it can be replaced, too.
        Some(text) => shelf.read(text).ok().map(|there| tag_of(&super::entry(&there, true))).transpose()?,
        None => None,
    };
    may_store(&app, &headers, &There { stored: before.is_some(), tag })?;
    let before = before.map(String::as_str);
    if !app.store.put_profile(&name, &text, before, &act, crate::clock::now_ms()).await? {
        return Err(ApiError::Conflict(format!("the profile {name} was stored meanwhile")));
    }
    let entry = super::entry(&profile, true);
    let tag = tag_of(&entry)?;
    let mut response = Json(entry).into_response();
    if let Ok(value) = HeaderValue::from_str(&tag) {
        response.headers_mut().insert(header::ETAG, value);
    }
    Ok(response)
}
