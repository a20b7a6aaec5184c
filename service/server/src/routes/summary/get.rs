//! `GET /v1/summary`.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::{Problem, Summary};
use serde::Deserialize;
use utoipa::IntoParams;

use crate::access::{May, Read};
use crate::app::submit::sound;
use crate::app::summary::summary;
use crate::problem::ApiError;
use crate::routes::negotiate::{AppQuery, json};
use crate::state::App;

/// Days of the trend at most.
const MOST_DAYS: u32 = 366;

/// Of what.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Scope {
    /// Only this production.
    production: Option<String>,
    /// Days of the trend, today included, 1 to 366; 30 unless said.
    #[param(minimum = 1, maximum = 366)]
    days: Option<u32>,
}

/// The state of a production, or of all: assets by verdict and by check, and how that went day by day.
#[utoipa::path(
    get, path = "/v1/summary", tag = "assets", operation_id = "getSummary", security((), ("token" = ["read"])), params(Scope),
    responses(
        (status = 200, description = "The summary, under a strong ETag", body = Summary),
        (status = 304, description = "If-None-Match names it; answered from memory while nothing is written"),
        (status = 400, description = "The query is wrong", body = Problem, content_type = "application/problem+json"),
        (status = 404, description = "There is no such production", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "The store cannot be used", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn get(
    State(app): State<App>,
    may: May<Read>,
    AppQuery(scope): AppQuery<Scope>,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    let production = scope.production.as_deref().filter(|name| !name.is_empty());
    if let Some(production) = production {
        sound("production", production)?;
    }
    let days = scope.days.unwrap_or(30);
    if !(1..=MOST_DAYS).contains(&days) {
        return Err(ApiError::InvalidRequest(format!("days lies between 1 and {MOST_DAYS}")));
    }
    let reach = may.within(production)?;
    json(&headers, &summary(&app, production, &reach, days, crate::clock::today()).await?)
}
