//! `…/history`: a page of the states of something that is agreed on.

use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::VersionPage;
use serde::Deserialize;
use utoipa::IntoParams;

use super::cursor;
use super::negotiate::json;
use crate::app::history::history;
use crate::problem::ApiError;
use crate::state::App;
use crate::store::Kept;

/// States of a page unless said: their texts may be long.
const USUAL: u32 = 20;

/// Which page.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Page {
    /// Whether the texts come along.
    content: Option<bool>,
    /// From a page's `next`.
    cursor: Option<String>,
    /// At most this many, 1 to 500; 20 unless said.
    #[param(minimum = 1, maximum = 500)]
    limit: Option<u32>,
}

/// A page of states, the newest first.
pub(super) async fn answer(
    app: &App,
    headers: &HeaderMap,
    at: (Kept, &str),
    page: &Page,
    path: &str,
) -> Result<Response, ApiError> {
    let limit = cursor::page_size(Some(page.limit.unwrap_or(USUAL)))?;
    let below = cursor::open(page.cursor.as_deref(), |place| place.parse::<i64>().ok())?;
    let content = page.content.unwrap_or(false);
    let mut items = history(app, at, below, limit, content).await?;
    let more = items.len() > limit as usize;
    items.truncate(limit as usize);
    let next = items.last().filter(|_| more).map(|last| cursor::seal(&last.number.to_string()));
    let mut response = json(headers, &VersionPage { items, next: next.clone() })?;
    if let Some(next) = next {
        let size = page.limit.map(|limit| limit.to_string());
        let pairs =
            [("content", content.then_some("true")), ("limit", size.as_deref()), ("cursor", Some(&*next))];
        cursor::link(&mut response, path, &cursor::query(&pairs));
    }
    Ok(response)
}
