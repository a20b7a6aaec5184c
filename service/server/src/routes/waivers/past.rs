//! `GET /v1/waivers/{production}/history`.

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

/// Every state of a production's waivers, the newest first: when, who and why.
#[utoipa::path(get, path = "/v1/waivers/{production}/history", tag = "profiles", operation_id = "getWaiverHistory",
    security((), ("token" = ["read"])),
    params(("production" = String, Path, description = "The show"), Page),
    responses(
        (status = 200, description = "A page of states", body = VersionPage),
        (status = 304, description = "If-None-Match names it"),
        (status = 400, description = "The name or the query is wrong", body = Problem, content_type = "application/problem+json"),
        (status = 404, description = "No waivers were stored", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn past(
    State(app): State<App>,
    _: May<Read>,
    AppPath(production): AppPath<String>,
    AppQuery(page): AppQuery<Page>,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    sound("production", &production)?;
    let path = format!("/v1/waivers/{production}/history");
    history::answer(&app, &headers, (Kept::Waivers, &production), &page, &path).await
}
