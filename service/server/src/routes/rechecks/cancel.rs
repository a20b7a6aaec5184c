//! `DELETE /v1/rechecks/{id}`.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::{Problem, Recheck};

use crate::app::recheck;
use crate::problem::ApiError;
use crate::routes::negotiate::{AppPath, json};
use crate::state::App;

/// Cancel a campaign: what is not over is never done; results that are there stay.
#[utoipa::path(
    delete, path = "/v1/rechecks/{id}", tag = "rechecks", operation_id = "cancelRecheck",
    params(("id" = String, Path, description = "From the Location of the 202")),
    responses(
        (status = 200, description = "The campaign as it stands now", body = Recheck),
        (status = 404, description = "There is none", body = Problem, content_type = "application/problem+json"),
        (status = 409, description = "It is over", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "The store cannot be used", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn cancel(State(app): State<App>, AppPath(id): AppPath<String>) -> Result<Response, ApiError> {
    json(&HeaderMap::new(), &recheck::cancel(&app, &id).await?)
}
