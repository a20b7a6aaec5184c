//! Conditions of a `PUT` (RFC 9110 §13.1, RFC 6585 §3): nothing is overwritten unseen.

use axum::http::{HeaderMap, header};

use super::negotiate::list;
use crate::problem::ApiError;
use crate::state::App;

/// What is there, as far as a condition is about it.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct There {
    /// The tag that reading it gives.
    pub tag: Option<String>,
    /// Whether it was stored, and does not only stand for what holds without.
    pub stored: bool,
}

/// Whether a `PUT` may store: whether it must then still be the state that was looked at.
pub fn may_store(app: &App, headers: &HeaderMap, there: &There) -> Result<bool, ApiError> {
    let matches = headers.contains_key(header::IF_MATCH);
    if matches {
        let asked = list(headers, &header::IF_MATCH);
        let any = asked.trim() == "*" && (there.stored || there.tag.is_some());
        let names = |tag: &String| asked.split(',').any(|one| one.trim() == tag);
        if !any && !there.tag.as_ref().is_some_and(names) {
            return Err(ApiError::PreconditionFailed);
        }
    }
    let must_be_new = list(headers, &header::IF_NONE_MATCH).trim() == "*";
    if must_be_new && there.stored {
        return Err(ApiError::PreconditionFailed);
    }
    if there.stored && !matches && app.config.policy.if_match_required {
        return Err(ApiError::PreconditionRequired);
    }
    Ok(matches || must_be_new)
}
