//! `GET /v1/catalogue/{family}/{name}`.

use axum::Json;
use condyle_api::{CatalogueEntry, Problem};
use condyle_core::check::find;

use crate::problem::ApiError;
use crate::routes::negotiate::AppPath;

/// One check with its page.
#[utoipa::path(get, path = "/v1/catalogue/{family}/{name}", tag = "catalogue",
    params(("family" = String, Path, description = "The family"), ("name" = String, Path, description = "The name in it")),
    responses(
        (status = 200, description = "The check and its page", body = CatalogueEntry),
        (status = 404, description = "No check has this id", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn get(
    AppPath((family, name)): AppPath<(String, String)>,
) -> Result<Json<CatalogueEntry>, ApiError> {
    let id = format!("{family}/{name}");
    let check = find(&id).map_err(|unknown| {
        let hint = unknown.suggestion.map_or(String::new(), |near| format!(" (did you mean {near}?)"));
        let shown: String = id.chars().take(80).collect();
        ApiError::NotFound(format!("check {shown}{hint}"))
    })?;
    Ok(Json(super::entry(check, true)))
}
