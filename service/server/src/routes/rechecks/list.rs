//! `GET /v1/rechecks`.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::{Problem, RecheckPage};
use serde::Deserialize;
use utoipa::IntoParams;

use crate::access::{May, Read};
use crate::app::recheck;
use crate::problem::ApiError;
use crate::routes::cursor;
use crate::routes::negotiate::{AppQuery, json};
use crate::state::App;

/// Which campaigns.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Filter {
    /// From a page's `next`.
    pub cursor: Option<String>,
    /// At most this many, 1 to 500; 100 unless said.
    #[param(minimum = 1, maximum = 500)]
    pub limit: Option<u32>,
}

/// Campaigns, the newest first, with where they stand. They are kept as long as jobs are.
#[utoipa::path(
    get, path = "/v1/rechecks", tag = "rechecks", operation_id = "listRechecks", security((), ("token" = ["read"])), params(Filter),
    responses(
        (status = 200, description = "A page; the header Link has rel=\"next\" while there is more", body = RecheckPage),
        (status = 304, description = "If-None-Match names it"),
        (status = 400, description = "The query is wrong", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn list(
    State(app): State<App>,
    may: May<Read>,
    AppQuery(filter): AppQuery<Filter>,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    let limit = cursor::page_size(filter.limit)?;
    let below = cursor::open(filter.cursor.as_deref(), |id| Some(id.to_owned()))?;
    let mut items = recheck::campaigns(&app, may.caller.reach(), below.as_deref(), limit + 1).await?;
    let more = items.len() > limit as usize;
    items.truncate(limit as usize);
    let next = items.last().filter(|_| more).map(|last| cursor::seal(&last.id));
    let mut response = json(&headers, &RecheckPage { items, next: next.clone() })?;
    if let Some(next) = &next {
        let limit = filter.limit.map(|limit| limit.to_string());
        let query = cursor::query(&[("limit", limit.as_deref()), ("cursor", Some(next))]);
        cursor::link(&mut response, "/v1/rechecks", &query);
    }
    Ok(response)
}
