//! Content negotiation and conditional requests (RFC 9110 §12, §13).

use axum::extract::rejection::{PathRejection, QueryRejection};
use axum::extract::{FromRequestParts, Path, Query};
use axum::http::request::Parts;
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::de::DeserializeOwned;

use crate::problem::ApiError;

/// The forms a report can take.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    /// `application/json`.
    Json,
    /// `text/plain`.
    Text,
}

impl Form {
    /// The best form that `Accept` allows; JSON where it does not say.
    pub fn of(headers: &HeaderMap) -> Result<Self, ApiError> {
        let Some(accept) = headers.get(header::ACCEPT).and_then(|v| v.to_str().ok()) else {
            return Ok(Self::Json);
        };
        let (mut best, mut found) = (0.0_f32, None);
        for range in accept.split(',') {
            let mut pieces = range.split(';').map(str::trim);
            let kind = pieces.next().unwrap_or("").to_ascii_lowercase();
            let weight = pieces.find_map(|p| p.strip_prefix("q=")?.parse::<f32>().ok()).unwrap_or(1.0);
            let form = match kind.as_str() {
                "application/json" | "application/*" | "*/*" => Self::Json,
                "text/plain" | "text/*" => Self::Text,
                _ => continue,
            };
            if weight > best {
                best = weight;
                found = Some(form);
            }
        }
        found.ok_or(ApiError::NotAcceptable)
    }
}

/// Whether `If-None-Match` names the tag (weak comparison).
pub fn not_modified(headers: &HeaderMap, tag: &str) -> bool {
    headers.get(header::IF_NONE_MATCH).and_then(|v| v.to_str().ok()).is_some_and(|list| {
        list.trim() == "*" || list.split(',').any(|t| t.trim().trim_start_matches("W/") == tag)
    })
}

/// A body under a strong tag, or 304.
pub fn tagged(headers: &HeaderMap, tag: &str, kind: &'static str, body: impl FnOnce() -> String) -> Response {
    let mut response = if not_modified(headers, tag) {
        StatusCode::NOT_MODIFIED.into_response()
    } else {
        ([(header::CONTENT_TYPE, HeaderValue::from_static(kind))], body()).into_response()
    };
    let out = response.headers_mut();
    if let Ok(value) = HeaderValue::from_str(tag) {
        out.insert(header::ETAG, value);
    }
    out.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-cache"));
    out.insert(header::VARY, HeaderValue::from_static("accept, accept-encoding"));
    response
}

/// A query, with our problem when it is wrong.
#[derive(Debug)]
pub struct AppQuery<T>(pub T);

impl<T: DeserializeOwned, S: Send + Sync> FromRequestParts<S> for AppQuery<T> {
    type Rejection = ApiError;
    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, ApiError> {
        let query = Query::<T>::from_request_parts(parts, state).await;
        query.map(|Query(value)| Self(value)).map_err(|error: QueryRejection| {
            let text = error.body_text();
            let text = text.strip_prefix("Failed to deserialize query string: ").unwrap_or(&text);
            ApiError::InvalidRequest(format!("the query is wrong: {text}"))
        })
    }
}

/// Path segments, with our problem when they are wrong.
#[derive(Debug)]
pub struct AppPath<T>(pub T);

impl<T: DeserializeOwned + Send, S: Send + Sync> FromRequestParts<S> for AppPath<T> {
    type Rejection = ApiError;
    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, ApiError> {
        let path = Path::<T>::from_request_parts(parts, state).await;
        path.map(|Path(value)| Self(value)).map_err(|error: PathRejection| {
            ApiError::InvalidRequest(format!("the path is wrong: {}", error.body_text()))
        })
    }
}
