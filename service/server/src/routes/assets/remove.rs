//! `DELETE /v1/assets/{production}/{asset}`.

use axum::extract::State;
use axum::http::{HeaderMap, StatusCode, header};
use condyle_api::Problem;

use super::named;
use crate::access::{Act, Administer, May};
use crate::app::{audit, remove};
use crate::problem::ApiError;
use crate::routes::negotiate::{AppPath, list};
use crate::state::App;

/// Delete an asset: all its revisions and reports, and the blobs that nothing else needs.
///
/// `If-Match` with the asset's ETag makes sure that nothing is deleted that came meanwhile.
#[utoipa::path(
    delete, path = "/v1/assets/{production}/{asset}", tag = "assets", operation_id = "deleteAsset", security((), ("token" = ["administer"])),
    params(("production" = String, Path, description = "The show"), ("asset" = String, Path, description = "The asset"),
           ("If-Match" = Option<String>, Header, description = "The asset's ETag, or *")),
    responses(
        (status = 204, description = "It is gone"),
        (status = 400, description = "A name is malformed", body = Problem, content_type = "application/problem+json"),
        (status = 404, description = "There is no such asset", body = Problem, content_type = "application/problem+json"),
        (status = 412, description = "If-Match does not hold", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "The store cannot be used", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn remove(
    State(app): State<App>,
    _: May<Administer>,
    AppPath(path): AppPath<(String, String)>,
    headers: HeaderMap,
    act: Act,
) -> Result<StatusCode, ApiError> {
    let (production, asset) = named(path)?;
    let subject = format!("{production}/{asset}");
    let expected = headers.contains_key(header::IF_MATCH).then(|| list(&headers, &header::IF_MATCH));
    let removal = remove::asset(&app, &production, &asset, expected.as_deref());
    audit::around(&app, "asset.deleted", Some(&production), &subject, &act, removal).await?;
    Ok(StatusCode::NO_CONTENT)
}
