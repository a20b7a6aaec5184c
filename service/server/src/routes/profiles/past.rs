//! `GET /v1/profiles/{name}/history`.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::{Problem, VersionPage};

use crate::access::{May, Read};
use crate::app::submit::sound;
use crate::problem::ApiError;
use crate::routes::history::{self, Page};
use crate::routes::negotiate::{AppPath, AppQuery};
use crate::state::App;
use crate::store::Kept;

/// Every state of a stored profile, the newest first: when, who and why.
#[utoipa::path(get, path = "/v1/profiles/{name}/history", tag = "profiles", operation_id = "getProfileHistory",
    security((), ("token" = ["read"])),
    params(("name" = String, Path, description = "The profile"), Page),
    responses(
        (status = 200, description = "A page of states", body = VersionPage),
        (status = 304, description = "If-None-Match names it"),
        (status = 400, description = "The name or the query is wrong", body = Problem, content_type = "application/problem+json"),
        (status = 404, description = "There is no such stored profile", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn past(
    State(app): State<App>,
    _: May<Read>,
    AppPath(name): AppPath<String>,
    AppQuery(page): AppQuery<Page>,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    sound("name", &name)?;
    let path = format!("/v1/profiles/{name}/history");
    history::answer(&app, &headers, (Kept::Profile, &name), &page, &path).await
}
