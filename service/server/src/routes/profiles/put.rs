//! `PUT /v1/profiles/{name}`.

use axum::Json;
use axum::extract::State;
use axum::http::{HeaderMap, HeaderValue, header};
use axum::response::{IntoResponse as _, Response};
use condyle_api::{Problem, ProfileEntry};
use condyle_core::check::builtin_names;

use crate::app::shelf::Shelf;
use crate::problem::{ApiError, shown};
use crate::routes::negotiate::{AppPath, list, tag_of};
use crate::state::App;

/// Bytes of a profile.
const MOST: usize = 64 << 10;
/// Profiles that are stored: all are read for each check.
const MOST_PROFILES: usize = 200;

/// Store a profile: TOML, or the same as JSON, under its own name.
///
/// It is read before it is stored, with everything it extends; a mistake names its key. `If-Match` with the tag of what is
/// there makes sure that nothing is overwritten unseen; a built-in profile cannot be replaced.
#[utoipa::path(put, path = "/v1/profiles/{name}", tag = "profiles", operation_id = "putProfile",
    params(("name" = String, Path, description = "The profile's own name")),
    request_body(content((String = "application/toml"), (condyle_core::check::ProfileFile = "application/json"))),
    responses(
        (status = 200, description = "Stored", body = ProfileEntry),
        (status = 400, description = "The request is malformed", body = Problem, content_type = "application/problem+json"),
        (status = 409, description = "A built-in profile has the name, somebody else stored it meanwhile, or too many are stored", body = Problem, content_type = "application/problem+json"),
        (status = 412, description = "If-Match does not hold", body = Problem, content_type = "application/problem+json"),
        (status = 413, description = "Too large", body = Problem, content_type = "application/problem+json"),
        (status = 422, description = "The profile cannot be read", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "The store cannot be used", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn put(
    State(app): State<App>,
    AppPath(name): AppPath<String>,
    headers: HeaderMap,
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
    if headers.contains_key(header::IF_MATCH) {
        let asked = list(&headers, &header::IF_MATCH);
        let tag = match before {
            Some(text) => Some(tag_of(&super::entry(&shelf.read(text)?, true))?),
            None => None,
        };
        let holds =
            tag.is_some_and(|tag| asked.trim() == "*" || asked.split(',').any(|one| one.trim() == tag));
        if !holds {
            return Err(ApiError::PreconditionFailed);
        }
    }
    let before = before.map(String::as_str);
    if !app.store.put_profile(&name, &text, before, crate::clock::now_ms()).await? {
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
