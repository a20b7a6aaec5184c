//! `GET /v1/references/{name}/history`.

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

/// Every state of a reference skeleton, the newest first: when, who and why.
#[utoipa::path(get, path = "/v1/references/{name}/history", tag = "profiles", operation_id = "getReferenceHistory",
    security((), ("token" = ["read"])),
    params(("name" = String, Path, description = "The reference"), Page),
    responses(
        (status = 200, description = "A page of states", body = VersionPage),
        (status = 304, description = "If-None-Match names it"),
        (status = 400, description = "The name or the query is wrong", body = Problem, content_type = "application/problem+json"),
        (status = 404, description = "There is no such reference", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn past(
    State(app): State<App>,
    _: May<Read>,
    AppPath(name): AppPath<String>,
    AppQuery(page): AppQuery<Page>,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    sound("name", &name)?;
    let path = format!("/v1/references/{name}/history");
    history::answer(&app, &headers, (Kept::Reference, &name), &page, &path).await
}
