//! `GET /checks/{family}/{name}`: the page of a check.

use condyle_core::check::find;

use super::markdown;
use super::page::{Page, escape, page};
use crate::problem::{ApiError, shown};
use crate::routes::negotiate::AppPath;

/// The page of a check, for people.
#[utoipa::path(get, path = "/checks/{family}/{name}", tag = "web", operation_id = "showCheck",
    params(("family" = String, Path, description = "The family"), ("name" = String, Path, description = "The name in it")),
    responses(
        (status = 200, description = "HTML", body = String, content_type = "text/html"),
        (status = 404, description = "No check has this id", body = condyle_api::Problem, content_type = "application/problem+json"),
    ))]
pub async fn check(AppPath((family, name)): AppPath<(String, String)>) -> Result<Page, ApiError> {
    let id = shown(&format!("{family}/{name}"));
    let check = find(&id).map_err(|unknown| {
        ApiError::NotFound(format!("check {id}"), unknown.suggestion.map(str::to_owned))
    })?;
    let mut body = markdown::html(check.page);
    if body.is_empty() {
        body = format!(
            "<h1><code>{}</code></h1><p>{}</p><p>{}</p>",
            check.id,
            escape(check.summary),
            escape(check.why)
        );
    }
    Ok(page(check.id, &body))
}
