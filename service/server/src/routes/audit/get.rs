//! `GET /v1/audit`.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::{AuditPage, Problem};
use serde::Deserialize;
use utoipa::IntoParams;

use crate::access::{Administer, May};
use crate::app::audit;
use crate::problem::ApiError;
use crate::routes::cursor;
use crate::routes::negotiate::{AppQuery, json};
use crate::state::App;
use crate::store::AuditFilter;

/// What to list.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Filter {
    /// Only this action, as `policy.stored`.
    action: Option<String>,
    /// Only what the token with this id did.
    token: Option<String>,
    /// Only what is about this production.
    production: Option<String>,
    /// Only `done`, `begun` or `refused`.
    outcome: Option<String>,
    /// Not before this time (RFC 3339).
    #[param(format = DateTime)]
    since: Option<String>,
    /// Before this time (RFC 3339).
    #[param(format = DateTime)]
    until: Option<String>,
    /// From a page's `next`.
    cursor: Option<String>,
    /// At most this many, 1 to 500; 100 unless said.
    #[param(minimum = 1, maximum = 500)]
    limit: Option<u32>,
}

/// What administrators did and what was refused, the newest first.
///
/// Written are: tokens made, rotated and revoked; profiles, references, policies and waivers stored; revisions and assets
/// deleted; productions imported; campaigns begun, paused, resumed and cancelled; every refusal for want of a good
/// token, a scope or a production, and for going too fast (equal ones of some seconds as one entry). A token of some
/// productions sees what is about those. The newest `access.audit_keep` entries are kept.
#[utoipa::path(
    get, path = "/v1/audit", tag = "access", operation_id = "listAudit", security((), ("token" = ["administer"])), params(Filter),
    responses(
        (status = 200, description = "A page of entries", body = AuditPage),
        (status = 304, description = "If-None-Match names it"),
        (status = 400, description = "The query is wrong", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "The store cannot be used", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn get(
    State(app): State<App>,
    may: May<Administer>,
    AppQuery(filter): AppQuery<Filter>,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    let limit = cursor::page_size(filter.limit)?;
    let below = cursor::open(filter.cursor.as_deref(), |place| place.parse::<i64>().ok())?;
    let time = |text: &Option<String>| {
        let read = |text: &String| {
            crate::clock::from_rfc3339(text).ok_or_else(|| {
                ApiError::InvalidRequest("since and until are times like 2026-11-25T08:00:00Z".into())
            })
        };
        text.as_ref().map(read).transpose()
    };
    let wanted = AuditFilter {
        action: filter.action.clone(),
        token: filter.token.clone(),
        production: filter.production.clone(),
        outcome: filter.outcome.clone(),
        since_ms: time(&filter.since)?,
        until_ms: time(&filter.until)?,
        below,
        limit: limit + 1,
    };
    let reach = may.within(filter.production.as_deref())?;
    let mut items = audit::entries(&app, &wanted, &reach).await?;
    let more = items.len() > limit as usize;
    items.truncate(limit as usize);
    let next = items.last().filter(|_| more).map(|last| cursor::seal(&last.id.to_string()));
    let mut response = json(&headers, &AuditPage { items, next: next.clone() })?;
    if let Some(next) = next {
        let size = filter.limit.map(|limit| limit.to_string());
        let query = cursor::query(&[
            ("action", filter.action.as_deref()),
            ("token", filter.token.as_deref()),
            ("production", filter.production.as_deref()),
            ("outcome", filter.outcome.as_deref()),
            ("since", filter.since.as_deref()),
            ("until", filter.until.as_deref()),
            ("limit", size.as_deref()),
            ("cursor", Some(&next)),
        ]);
        cursor::link(&mut response, "/v1/audit", &query);
    }
    Ok(response)
}
