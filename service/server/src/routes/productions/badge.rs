//! `GET /v1/productions/{production}/badge.svg`.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::Problem;
use condyle_core::report::Verdict;

use crate::access::{May, Read};
use crate::app::submit::sound;
use crate::problem::ApiError;
use crate::routes::badge;
use crate::routes::negotiate::AppPath;
use crate::state::App;

/// How many of a production's assets pass, as a small picture.
#[utoipa::path(
    get, path = "/v1/productions/{production}/badge.svg", tag = "assets", operation_id = "getProductionBadge", security((), ("token" = ["read"])),
    params(("production" = String, Path, description = "The show")),
    responses(
        (status = 200, description = "The picture, with its text as its title", body = String, content_type = "image/svg+xml"),
        (status = 304, description = "If-None-Match names it"),
        (status = 400, description = "The name is malformed", body = Problem, content_type = "application/problem+json"),
        (status = 404, description = "There is no such production", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn badge(
    State(app): State<App>,
    _: May<Read>,
    AppPath(production): AppPath<String>,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    sound("production", &production)?;
    let all = app.store.productions().await?;
    let one = all.into_iter().find(|one| one.production == production);
    let one = one.ok_or_else(|| ApiError::not_found(format!("production {production}")))?;
    let verdict = match (one.fail, one.warn) {
        (0, 0) => Verdict::Pass,
        (0, _) => Verdict::Warn,
        _ => Verdict::Fail,
    };
    Ok(badge::answer(&headers, &production, &format!("{} of {} pass", one.pass, one.assets), verdict))
}
