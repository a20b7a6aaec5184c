//! `GET /v1/assets`.

use axum::Json;
use axum::extract::State;
use axum::http::{HeaderValue, header};
use axum::response::{IntoResponse as _, Response};
use condyle_api::{AssetPage, Problem};
use condyle_core::report::Verdict;
use serde::Deserialize;
use utoipa::IntoParams;

use crate::problem::ApiError;
use crate::routes::negotiate::AppQuery;
use crate::state::App;
use crate::store::AssetFilter;

/// What to list.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Filter {
    /// Only this production.
    production: Option<String>,
    /// Only assets whose latest revision has this verdict.
    verdict: Option<Verdict>,
    /// Only assets whose name holds this text.
    q: Option<String>,
    /// From a page's `next`.
    cursor: Option<String>,
    /// At most this many, 1 to 500; 100 unless said.
    #[param(minimum = 1, maximum = 500)]
    limit: Option<u32>,
}

/// Assets with their latest revisions, by production and name.
#[utoipa::path(
    get, path = "/v1/assets", tag = "assets", params(Filter),
    responses(
        (status = 200, description = "A page; the header Link has rel=\"next\" while there is more", body = AssetPage),
        (status = 400, description = "The query is wrong", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn list(State(app): State<App>, AppQuery(filter): AppQuery<Filter>) -> Result<Response, ApiError> {
    let limit = filter.limit.unwrap_or(100);
    if !(1..=500).contains(&limit) {
        return Err(ApiError::InvalidRequest("limit lies between 1 and 500".into()));
    }
    let after = match &filter.cursor {
        None => None,
        Some(cursor) => Some(
            open(cursor).ok_or_else(|| ApiError::InvalidRequest("the cursor is not one of ours".into()))?,
        ),
    };
    let wanted = AssetFilter {
        production: filter.production.clone(),
        verdict: filter.verdict.map(|v| v.word().to_owned()),
        text: filter.q.clone(),
        after,
        limit: limit + 1,
    };
    let mut items = app.store.assets(&wanted).await?;
    let more = items.len() > limit as usize;
    items.truncate(limit as usize);
    let next = items.last().filter(|_| more).map(|last| seal(&last.production, &last.asset));
    let mut response = Json(AssetPage { items, next: next.clone() }).into_response();
    if let Some(next) = next {
        let mut query = form(&[("cursor", Some(next)), ("limit", Some(limit.to_string()))]);
        let kept = [
            ("production", filter.production),
            ("verdict", filter.verdict.map(|v| v.word().to_owned())),
            ("q", filter.q),
        ];
        query.push_str(&form(&kept));
        let link = format!("</v1/assets?{}>; rel=\"next\"", query.trim_end_matches('&'));
        if let Ok(value) = HeaderValue::from_str(&link) {
            response.headers_mut().insert(header::LINK, value);
        }
    }
    Ok(response)
}

fn form(pairs: &[(&str, Option<String>)]) -> String {
    let mut out = String::new();
    for (key, value) in pairs {
        let Some(value) = value else { continue };
        out.push_str(key);
        out.push('=');
        for byte in value.bytes() {
            if byte.is_ascii_alphanumeric() || matches!(byte, b'.' | b'_' | b'-') {
                out.push(char::from(byte));
            } else {
                out.push_str(&format!("%{byte:02X}"));
            }
        }
        out.push('&');
    }
    out
}

/// A place in the order, as hex.
fn seal(production: &str, asset: &str) -> String {
    format!("{production}/{asset}").bytes().map(|b| format!("{b:02x}")).collect()
}

fn open(cursor: &str) -> Option<(String, String)> {
    if cursor.len() > 1_000 || !cursor.len().is_multiple_of(2) || !cursor.is_ascii() {
        return None;
    }
    let bytes: Option<Vec<u8>> =
        (0..cursor.len()).step_by(2).map(|at| u8::from_str_radix(&cursor[at..at + 2], 16).ok()).collect();
    let text = String::from_utf8(bytes?).ok()?;
    text.split_once('/').map(|(a, b)| (a.to_owned(), b.to_owned()))
}
