//! `POST /v1/rechecks/{id}/resume`.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::{Problem, Recheck};

use crate::access::{Act, Administer, May};
use crate::app::{audit, recheck};
use crate::problem::ApiError;
use crate::routes::negotiate::{AppPath, json};
use crate::state::App;

/// Resume a campaign.
#[utoipa::path(
    post, path = "/v1/rechecks/{id}/resume", tag = "rechecks", operation_id = "resumeRecheck", security((), ("token" = ["administer"])),
    params(("id" = String, Path, description = "From the Location of the 202")),
    responses(
        (status = 200, description = "The campaign as it stands now", body = Recheck),
        (status = 404, description = "There is none", body = Problem, content_type = "application/problem+json"),
        (status = 409, description = "It is over", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "The store cannot be used", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn resume(
    State(app): State<App>,
    may: May<Administer>,
    AppPath(id): AppPath<String>,
    act: Act,
) -> Result<Response, ApiError> {
    recheck::visible(&app, &may.caller, &id).await?;
    let production = recheck::campaign(&app, &id).await?.request.production;
    let production = production.as_deref();
    let there =
        audit::around(&app, "recheck.resumed", production, &id, &act, recheck::resume(&app, &id)).await?;
    json(&HeaderMap::new(), &there)
}
