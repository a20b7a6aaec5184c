//! `GET /v1/assets`.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::{Asset, AssetPage, Problem};
use condyle_core::check::{CHECKS, find};
use condyle_core::report::Verdict;
use serde::Deserialize;
use utoipa::IntoParams;

use crate::access::{May, Reach, Read};
use crate::problem::ApiError;
use crate::routes::cursor;
use crate::routes::fields::Fields;
use crate::routes::negotiate::{AppQuery, json};
use crate::state::App;
use crate::store::AssetFilter;

/// What to list.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Filter {
    /// Only this production.
    pub production: Option<String>,
    /// Only assets whose latest revision has this verdict.
    pub verdict: Option<Verdict>,
    /// Only assets whose name holds this text, whatever its case.
    pub q: Option<String>,
    /// Only assets whose latest revision has an unwaived finding of this check, or of this family.
    pub check: Option<String>,
    /// Only assets whose latest revision became another one at or after this time (RFC 3339).
    #[param(format = DateTime)]
    pub changed_since: Option<String>,
    /// Only these members of each item, separated by commas; a dot goes deeper (`asset,latest.verdict`).
    pub fields: Option<String>,
    /// From a page's `next`.
    pub cursor: Option<String>,
    /// At most this many, 1 to 500; 100 unless said.
    #[param(minimum = 1, maximum = 500)]
    pub limit: Option<u32>,
}

/// Assets with their latest revisions, by production and name.
#[utoipa::path(
    get, path = "/v1/assets", tag = "assets", operation_id = "listAssets", security((), ("token" = ["read"])), params(Filter),
    responses(
        (status = 200, description = "A page; the header Link has rel=\"next\" while there is more", body = AssetPage),
        (status = 304, description = "If-None-Match names it"),
        (status = 400, description = "The query is wrong", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn list(
    State(app): State<App>,
    may: May<Read>,
    AppQuery(filter): AppQuery<Filter>,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    let fields = filter.fields.as_deref().map(Fields::read).transpose()?;
    let reach = may.within(filter.production.as_deref().filter(|text| !text.is_empty()))?;
    let page = page(&app, &filter, &reach).await?;
    let mut response = match &fields {
        None => json(&headers, &page)?,
        Some(fields) => json(&headers, &fields.page(&page)?)?,
    };
    if let Some(next) = &page.next {
        cursor::link(&mut response, "/v1/assets", &following(&filter, next));
    }
    Ok(response)
}

/// Refuses what is neither a check nor a family.
fn known(check: &str) -> Result<(), ApiError> {
    if !check.contains('/') && CHECKS.iter().any(|one| one.family() == check) {
        return Ok(());
    }
    find(check).map(|_| ()).map_err(ApiError::UnknownCheck)
}

/// The page that a filter asks for, of productions within reach.
pub async fn page(app: &App, filter: &Filter, reach: &Reach) -> Result<AssetPage, ApiError> {
    let limit = cursor::page_size(filter.limit)?;
    let after = cursor::open(filter.cursor.as_deref(), |place| {
        place.split_once('/').map(|(production, asset)| (production.to_owned(), asset.to_owned()))
    })?;
    if let Some(check) = &filter.check {
        known(check)?;
    }
    let since = filter.changed_since.as_deref().map(|text| {
        crate::clock::from_rfc3339(text).ok_or_else(|| {
            ApiError::InvalidRequest("changed_since is a time like 2026-11-25T08:00:00Z".into())
        })
    });
    let wanted = AssetFilter {
        check: filter.check.clone(),
        changed_since_ms: since.transpose()?,
        production: filter.production.clone().filter(|text| !text.is_empty()),
        verdict: filter.verdict.map(|v| v.word().to_owned()),
        text: filter.q.clone().filter(|text| !text.is_empty()),
        after,
        limit: limit + 1,
    };
    let mut items = within(app, wanted, reach).await?;
    let more = items.len() > limit as usize;
    items.truncate(limit as usize);
    let next = items
        .last()
        .filter(|_| more)
        .map(|last| cursor::seal(&format!("{}/{}", last.production, last.asset)));
    Ok(AssetPage { items, next })
}

/// Assets within reach: where that is some productions, one after the other, which is the order of the list.
async fn within(app: &App, wanted: AssetFilter, reach: &Reach) -> Result<Vec<Asset>, ApiError> {
    let Reach::Only(names) = reach else { return Ok(app.store.assets(&wanted).await?) };
    let begin = wanted.after.as_ref().map_or("", |(production, _)| production.as_str());
    let mut items: Vec<Asset> = Vec::new();
    for name in names.iter().filter(|name| name.as_str() >= begin) {
        let left = wanted.limit.saturating_sub(items.len() as u32);
        if left == 0 {
            break;
        }
        let one = AssetFilter { production: Some(name.clone()), limit: left, ..wanted.clone() };
        items.extend(app.store.assets(&one).await?);
    }
    Ok(items)
}

/// The query of the page after.
pub fn following(filter: &Filter, next: &str) -> String {
    let limit = filter.limit.map(|limit| limit.to_string());
    cursor::query(&[
        ("production", filter.production.as_deref()),
        ("verdict", filter.verdict.map(Verdict::word)),
        ("q", filter.q.as_deref()),
        ("check", filter.check.as_deref()),
        ("changed_since", filter.changed_since.as_deref()),
        ("fields", filter.fields.as_deref()),
        ("limit", limit.as_deref()),
        ("cursor", Some(next)),
    ])
}
