//! `GET /v1/catalogue/{family}/{name}`.

use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::{CatalogueEntry, Problem};
use condyle_core::check::find;

use crate::problem::{ApiError, shown};
use crate::routes::negotiate::{AppPath, json};

/// One check with its page.
#[utoipa::path(get, path = "/v1/catalogue/{family}/{name}", tag = "catalogue", operation_id = "getCheck",
    params(("family" = String, Path, description = "The family"), ("name" = String, Path, description = "The name in it")),
    responses(
        (status = 200, description = "The check and its page", body = CatalogueEntry),
        (status = 304, description = "If-None-Match names it"),
        (status = 400, description = "The path is malformed", body = Problem, content_type = "application/problem+json"),
        (status = 404, description = "No check has this id", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn get(
    AppPath((family, name)): AppPath<(String, String)>,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    let id = shown(&format!("{family}/{name}"));
    let check = find(&id).map_err(|unknown| {
        ApiError::NotFound(format!("check {id}"), unknown.suggestion.map(str::to_owned))
    })?;
    json(&headers, &super::entry(check, true))
}
