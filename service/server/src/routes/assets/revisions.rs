//! `GET /v1/assets/{production}/{asset}/revisions`.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::{Problem, RevisionPage};
use serde::Deserialize;
use utoipa::IntoParams;

use super::named;
use crate::access::{May, Read};
use crate::problem::ApiError;
use crate::routes::cursor;
use crate::routes::negotiate::{AppPath, AppQuery, json};
use crate::state::App;

/// Which page.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Page {
    /// From a page's `next`.
    cursor: Option<String>,
    /// At most this many, 1 to 500; 100 unless said.
    #[param(minimum = 1, maximum = 500)]
    limit: Option<u32>,
}

/// The revisions of an asset, the newest first.
#[utoipa::path(
    get, path = "/v1/assets/{production}/{asset}/revisions", tag = "assets", operation_id = "listRevisions", security((), ("token" = ["read"])),
    params(("production" = String, Path, description = "The show"), ("asset" = String, Path, description = "The asset"), Page),
    responses(
        (status = 200, description = "A page; the header Link has rel=\"next\" while there is more", body = RevisionPage),
        (status = 304, description = "If-None-Match names it"),
        (status = 400, description = "A name or the query is malformed", body = Problem, content_type = "application/problem+json"),
        (status = 404, description = "There is no such asset", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn revisions(
    State(app): State<App>,
    _: May<Read>,
    AppPath(path): AppPath<(String, String)>,
    AppQuery(page): AppQuery<Page>,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    let (production, asset) = named(path)?;
    let limit = cursor::page_size(page.limit)?;
    let below = cursor::open(page.cursor.as_deref(), |place| place.parse::<u64>().ok())?;
    let mut items = app.store.revisions(&production, &asset, below, limit + 1).await?;
    if items.is_empty() && below.is_none() {
        return Err(ApiError::not_found(format!("asset {production}/{asset}")));
    }
    let more = items.len() > limit as usize;
    items.truncate(limit as usize);
    let next = items.last().filter(|_| more).map(|last| cursor::seal(&last.number.to_string()));
    let mut response = json(&headers, &RevisionPage { items, next: next.clone() })?;
    if let Some(next) = next {
        let size = page.limit.map(|limit| limit.to_string());
        let query = cursor::query(&[("limit", size.as_deref()), ("cursor", Some(&next))]);
        cursor::link(&mut response, &format!("/v1/assets/{production}/{asset}/revisions"), &query);
    }
    Ok(response)
}
