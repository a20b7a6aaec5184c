//! `GET /problems/{name}`: what a problem's type means.

use crate::problem::{ApiError, KINDS};
use crate::routes::negotiate::AppPath;

/// A problem type in words.
#[utoipa::path(get, path = "/problems/{name}", tag = "system", operation_id = "getProblem",
    params(("name" = String, Path, description = "The last segment of a problem's type")),
    responses((status = 200, description = "What it means", body = String, content_type = "text/plain"),
              (status = 404, description = "There is none", body = condyle_api::Problem, content_type = "application/problem+json")))]
pub async fn problem(AppPath(name): AppPath<String>) -> Result<String, ApiError> {
    let kind = KINDS.iter().find(|kind| kind.name == name);
    let kind = kind.ok_or_else(|| ApiError::not_found("such problem type"))?;
    Ok(format!("{} ({}): {}\n\n{}\n", kind.name, kind.status, kind.title, kind.remedy))
}
