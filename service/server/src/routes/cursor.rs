//! Places in a list, opaque to callers, and the `Link` to what follows (RFC 8288).

use std::fmt::Write as _;

use axum::http::{HeaderValue, header};
use axum::response::Response;

use crate::problem::ApiError;

/// Items of a page unless said.
const USUAL: u32 = 100;
/// Items of a page at most.
const MOST: u32 = 500;

/// The page size that a query asks for.
pub fn page_size(asked: Option<u32>) -> Result<u32, ApiError> {
    let size = asked.unwrap_or(USUAL);
    if (1..=MOST).contains(&size) {
        Ok(size)
    } else {
        Err(ApiError::InvalidRequest(format!("limit lies between 1 and {MOST}")))
    }
}

/// A place as hex.
pub fn seal(place: &str) -> String {
    place.bytes().fold(String::new(), |mut out, byte| {
        let _ = write!(out, "{byte:02x}");
        out
    })
}

/// The place that a cursor means.
pub fn open<T>(cursor: Option<&str>, read: impl Fn(&str) -> Option<T>) -> Result<Option<T>, ApiError> {
    let Some(cursor) = cursor else { return Ok(None) };
    let place = || {
        if cursor.is_empty() || cursor.len() > 1_000 || !cursor.len().is_multiple_of(2) || !cursor.is_ascii()
        {
            return None;
        }
        let bytes: Option<Vec<u8>> =
            (0..cursor.len()).step_by(2).map(|at| u8::from_str_radix(&cursor[at..at + 2], 16).ok()).collect();
        read(&String::from_utf8(bytes?).ok()?)
    };
    let place = place().ok_or_else(|| ApiError::InvalidRequest("the cursor is not one of ours".into()))?;
    Ok(Some(place))
}

/// A query string of the pairs that have a value.
pub fn query(pairs: &[(&str, Option<&str>)]) -> String {
    let mut out = String::new();
    for (key, value) in pairs {
        let Some(value) = value else { continue };
        if !out.is_empty() {
            out.push('&');
        }
        out.push_str(key);
        out.push('=');
        for byte in value.bytes() {
            if byte.is_ascii_alphanumeric() || matches!(byte, b'.' | b'_' | b'-') {
                out.push(char::from(byte));
            } else {
                let _ = write!(out, "%{byte:02X}");
            }
        }
    }
    out
}

/// Says where the next page is.
pub fn link(response: &mut Response, path: &str, query: &str) {
    if let Ok(value) = HeaderValue::from_str(&format!("<{path}?{query}>; rel=\"next\"")) {
        response.headers_mut().insert(header::LINK, value);
    }
}
