//! `GET /v1/rechecks/{id}/results`.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::{Problem, RecheckResultPage};
use serde::Deserialize;
use utoipa::IntoParams;

use crate::access::{May, Read};
use crate::app::recheck;
use crate::problem::ApiError;
use crate::routes::cursor;
use crate::routes::negotiate::{AppPath, AppQuery, json};
use crate::state::App;

/// Which results.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Filter {
    /// Only assets whose verdict is another now, or that have a finding new or fixed.
    pub changed: Option<bool>,
    /// From a page's `next`.
    pub cursor: Option<String>,
    /// At most this many, 1 to 500; 100 unless said.
    #[param(minimum = 1, maximum = 500)]
    pub limit: Option<u32>,
}

/// What a campaign found, asset by asset: the verdict as stored and now, and how many findings are new, fixed, the same.
#[utoipa::path(
    get, path = "/v1/rechecks/{id}/results", tag = "rechecks", operation_id = "getRecheckResults", security((), ("token" = ["read"])),
    params(("id" = String, Path, description = "From the Location of the 202"), Filter),
    responses(
        (status = 200, description = "A page; the header Link has rel=\"next\" while there is more", body = RecheckResultPage),
        (status = 304, description = "If-None-Match names it"),
        (status = 400, description = "The query is wrong", body = Problem, content_type = "application/problem+json"),
        (status = 404, description = "There is no such campaign", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn results(
    State(app): State<App>,
    may: May<Read>,
    AppPath(id): AppPath<String>,
    AppQuery(filter): AppQuery<Filter>,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    recheck::visible(&app, &may.caller, &id).await?;
    let limit = cursor::page_size(filter.limit)?;
    let after = cursor::open(filter.cursor.as_deref(), |place| {
        place.split_once('/').map(|(production, asset)| (production.to_owned(), asset.to_owned()))
    })?;
    let changed = filter.changed.unwrap_or(false);
    let mut items = recheck::results(&app, &id, changed, after.as_ref(), limit).await?;
    let more = items.len() > limit as usize;
    items.truncate(limit as usize);
    let last = items.last().filter(|_| more);
    let next = last.map(|last| cursor::seal(&format!("{}/{}", last.production, last.asset)));
    let mut response = json(&headers, &RecheckResultPage { items, next: next.clone() })?;
    if let Some(next) = &next {
        let limit = filter.limit.map(|limit| limit.to_string());
        let query = cursor::query(&[
            ("changed", changed.then_some("true")),
            ("limit", limit.as_deref()),
            ("cursor", Some(next)),
        ]);
        cursor::link(&mut response, &format!("/v1/rechecks/{id}/results"), &query);
    }
    Ok(response)
}
