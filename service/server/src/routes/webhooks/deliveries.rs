//! `GET /v1/webhooks/{id}/deliveries`.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::{DeliveryPage, DeliveryState, Problem};
use serde::Deserialize;
use utoipa::IntoParams;

use crate::access::{AdministerAll, May};
use crate::app::webhooks;
use crate::problem::ApiError;
use crate::routes::cursor;
use crate::routes::negotiate::{AppPath, AppQuery, json};
use crate::state::App;

/// Which deliveries.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Filter {
    /// Only those that stand so.
    #[param(inline)]
    pub state: Option<DeliveryState>,
    /// From a page's `next`.
    pub cursor: Option<String>,
    /// At most this many, 1 to 500; 100 unless said.
    #[param(minimum = 1, maximum = 500)]
    pub limit: Option<u32>,
}

/// What became of a webhook's messages, the newest first.
#[utoipa::path(
    get, path = "/v1/webhooks/{id}/deliveries", tag = "webhooks", operation_id = "listDeliveries", security((), ("token" = ["administer"])),
    params(("id" = String, Path, description = "From the Location of the 201"), Filter),
    responses(
        (status = 200, description = "A page; the header Link has rel=\"next\" while there is more", body = DeliveryPage),
        (status = 304, description = "If-None-Match names it"),
        (status = 400, description = "The query is wrong", body = Problem, content_type = "application/problem+json"),
        (status = 404, description = "There is no such webhook", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "The store cannot be used", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn deliveries(
    State(app): State<App>,
    _: May<AdministerAll>,
    AppPath(id): AppPath<String>,
    AppQuery(filter): AppQuery<Filter>,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    let limit = cursor::page_size(filter.limit)?;
    let below = cursor::open(filter.cursor.as_deref(), |place| place.parse::<i64>().ok())?;
    let mut items = webhooks::deliveries(&app, &id, filter.state, below, limit).await?;
    let more = items.len() > limit as usize;
    items.truncate(limit as usize);
    let next = items.last().filter(|_| more).map(|last| cursor::seal(&last.event.to_string()));
    let mut response = json(&headers, &DeliveryPage { items, next: next.clone() })?;
    if let Some(next) = &next {
        let limit = filter.limit.map(|limit| limit.to_string());
        let state = filter.state.and_then(|state| serde_json::to_value(state).ok());
        let query = cursor::query(&[
            ("state", state.as_ref().and_then(|state| state.as_str())),
            ("limit", limit.as_deref()),
            ("cursor", Some(next)),
        ]);
        cursor::link(&mut response, &format!("/v1/webhooks/{id}/deliveries"), &query);
    }
    Ok(response)
}
