//! `GET /v1/tokens`.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::{Problem, TokenPage};
use serde::Deserialize;
use utoipa::IntoParams;

use crate::access::{AdministerAll, May};
use crate::app::tokens;
use crate::problem::ApiError;
use crate::routes::cursor;
use crate::routes::negotiate::{AppQuery, json};
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

/// The tokens without their secrets, the newest first; revoked ones for 90 days.
#[utoipa::path(
    get, path = "/v1/tokens", tag = "access", operation_id = "listTokens", security((), ("token" = ["administer"])), params(Page),
    responses(
        (status = 200, description = "A page of tokens", body = TokenPage),
        (status = 304, description = "If-None-Match names it"),
        (status = 400, description = "The query is wrong", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "The store cannot be used", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn list(
    State(app): State<App>,
    _: May<AdministerAll>,
    AppQuery(page): AppQuery<Page>,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    let limit = cursor::page_size(page.limit)?;
    let after = cursor::open(page.cursor.as_deref(), |place| {
        let (time, id) = place.split_once('/')?;
        Some((time.parse::<i64>().ok()?, id.to_owned()))
    })?;
    let mut found = tokens::list(&app.store, after.as_ref(), limit).await?;
    let more = found.len() > limit as usize;
    found.truncate(limit as usize);
    let last = found.last().filter(|_| more);
    let next = last.map(|last| cursor::seal(&format!("{}/{}", last.created_ms, last.id)));
    let items = found.iter().map(crate::store::StoredToken::wire).collect();
    let mut response = json(&headers, &TokenPage { items, next: next.clone() })?;
    if let Some(next) = next {
        let size = page.limit.map(|limit| limit.to_string());
        let query = cursor::query(&[("limit", size.as_deref()), ("cursor", Some(&next))]);
        cursor::link(&mut response, "/v1/tokens", &query);
    }
    Ok(response)
}
