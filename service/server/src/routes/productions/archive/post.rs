//! `POST /v1/productions/{production}/archive`.

use axum::Json;
use axum::body::Body;
use axum::extract::State;
use condyle_api::{ImportSummary, Problem};

use crate::access::{Act, Administer, May};
use crate::app::archive::import::import;
use crate::app::submit::sound;
use crate::problem::ApiError;
use crate::routes::negotiate::AppPath;
use crate::state::App;

/// Import a production from an archive that an export made: all of it, or nothing.
///
/// Reports, numbers and times stay as they are. What is there already is left alone, so that an import can be repeated;
/// another revision under the same label or number is a conflict. A policy is taken over where the production has none;
/// the profile it names must be there.
#[utoipa::path(
    post, path = "/v1/productions/{production}/archive", tag = "assets", operation_id = "importProduction", security((), ("token" = ["administer"])),
    params(("production" = String, Path, description = "The show; another name than it had is fine")),
    request_body(description = "A tar archive", content((crate::bodies::Binary = "application/x-tar"))),
    responses(
        (status = 200, description = "It is stored", body = ImportSummary),
        (status = 400, description = "The name is malformed, or the policy's profile is not there", body = Problem, content_type = "application/problem+json"),
        (status = 409, description = "The production holds something else", body = Problem, content_type = "application/problem+json"),
        (status = 413, description = "Too large, or over a limit", body = Problem, content_type = "application/problem+json"),
        (status = 422, description = "The archive is not whole, or contradicts itself", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "Another import runs, or the store cannot be used", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn post(
    State(app): State<App>,
    _: May<Administer>,
    AppPath(production): AppPath<String>,
    act: Act,
    body: Body,
) -> Result<Json<ImportSummary>, ApiError> {
    sound("production", &production)?;
    Ok(Json(import(&app, &production, &act, body).await?))
}
