//! `GET /v1/assets/{production}/{asset}/difference`.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::Problem;
use condyle_core::difference::Difference;
use serde::Deserialize;
use utoipa::IntoParams;

use super::named;
use crate::access::{May, Read};
use crate::app::difference::{Pair, of_revisions};
use crate::app::submit::sound;
use crate::problem::ApiError;
use crate::routes::differences::post::render;
use crate::routes::negotiate::{AppPath, AppQuery, Form, tag_of, tagged};
use crate::state::App;

/// Which two revisions.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Labels {
    /// The label before; unless said, the baseline of the production's policy, else the revision before `to`.
    from: Option<String>,
    /// The label now; unless said, the latest revision.
    to: Option<String>,
}

/// What changed between two revisions of an asset: findings that are new, fixed or unchanged, and the skeleton.
///
/// Each new or fixed finding has its `cause`: `asset`, `rule` (profile, catalogue, date or selection changed, and the
/// asset has no share in it), `either` (both changed, and the rules of then are not at hand to tell which),
/// `not_checked` and `not_shown` (the other report does not say).
#[utoipa::path(
    get, path = "/v1/assets/{production}/{asset}/difference", tag = "assets", operation_id = "compareRevisions", security((), ("token" = ["read"])),
    params(("production" = String, Path, description = "The show"), ("asset" = String, Path, description = "The asset"), Labels),
    responses(
        (status = 200, description = "What changed, under a strong ETag", content((Difference = "application/json"), (String = "text/plain"), (String = "text/markdown"), (String = "text/html"))),
        (status = 304, description = "If-None-Match names it"),
        (status = 400, description = "A name or the query is malformed", body = Problem, content_type = "application/problem+json"),
        (status = 404, description = "There is no such asset or revision, or none before it", body = Problem, content_type = "application/problem+json"),
        (status = 406, description = "No accepted media type can be made", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "Busy, or the store cannot be used", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn difference(
    State(app): State<App>,
    _: May<Read>,
    AppPath(path): AppPath<(String, String)>,
    AppQuery(labels): AppQuery<Labels>,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    let form = Form::readable(&headers)?;
    let (production, asset) = named(path)?;
    for label in [&labels.from, &labels.to].into_iter().flatten() {
        sound("label", label)?;
    }
    let pair = Pair { production, asset, from: labels.from, to: labels.to };
    let difference = of_revisions(&app, pair).await?;
    let tag = tag_of(&difference)?;
    let tag = format!("{}-{}\"", tag.trim_end_matches('"'), form.word());
    let body = render(form, &difference)?;
    Ok(tagged(&headers, &tag, form.content_type(), || body))
}
