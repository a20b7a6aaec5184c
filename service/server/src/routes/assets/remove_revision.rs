//! `DELETE /v1/assets/{production}/{asset}/revisions/{label}`.

use axum::extract::State;
use axum::http::{HeaderMap, StatusCode, header};
use condyle_api::Problem;

use crate::access::{Act, Administer, May};
use crate::app::submit::Address;
use crate::app::{audit, remove};
use crate::problem::ApiError;
use crate::routes::negotiate::{AppPath, list};
use crate::state::App;

/// Delete a revision: its report, and the blobs that nothing else needs. The number of the revision never comes again
/// while a later one is there.
///
/// `If-Match` with the revision's ETag makes sure that it is the one that was looked at.
#[utoipa::path(
    delete, path = "/v1/assets/{production}/{asset}/revisions/{label}", tag = "assets", operation_id = "deleteRevision", security((), ("token" = ["administer"])),
    params(("production" = String, Path, description = "The show"), ("asset" = String, Path, description = "The asset"),
           ("label" = String, Path, description = "The label"),
           ("If-Match" = Option<String>, Header, description = "The revision's ETag, or *")),
    responses(
        (status = 204, description = "It is gone"),
        (status = 400, description = "A name is malformed", body = Problem, content_type = "application/problem+json"),
        (status = 404, description = "There is none", body = Problem, content_type = "application/problem+json"),
        (status = 412, description = "If-Match does not hold", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "The store cannot be used", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn remove_revision(
    State(app): State<App>,
    _: May<Administer>,
    AppPath(path): AppPath<(String, String, String)>,
    headers: HeaderMap,
    act: Act,
) -> Result<StatusCode, ApiError> {
    let at = Address::checked(path.0, path.1, path.2)?;
    let subject = format!("{}/{}/{}", at.production, at.asset, at.label);
    let expected = headers.contains_key(header::IF_MATCH).then(|| list(&headers, &header::IF_MATCH));
    let removal = remove::revision(&app, &at, expected.as_deref());
    audit::around(&app, "revision.deleted", Some(&at.production), &subject, &act, removal).await?;
    Ok(StatusCode::NO_CONTENT)
}
