//! Conditional requests that are answered from memory: where nothing was written since an answer was made, its tag
//! still holds, and nobody needs to ask the database.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};

use axum::extract::{Request, State};
use axum::http::{HeaderMap, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::Response;

use super::negotiate::{list, not_modified, tagged};
use crate::access::Caller;
use crate::state::App;

/// Tags that are remembered; beyond it all are forgotten, which costs one answer each.
const MOST: usize = 8_192;
/// Bytes of a path with its query and of what the caller accepts; longer ones are not remembered.
const LONGEST: usize = 1_024;

/// Answers that depend on the database and the day alone. Those of jobs change without a write to what they show.
const REMEMBERED: [&str; 6] =
    ["/v1/assets", "/v1/summary", "/v1/productions", "/v1/profiles", "/v1/references", "/v1/waivers"];

/// When a tag was true.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Stamp {
    generation: u64,
    day: String,
}

/// Tags by request.
#[derive(Debug, Clone, Default)]
pub struct Tags(Arc<Mutex<HashMap<String, (Stamp, String)>>>);

impl Tags {
    fn get(&self, key: &str, now: &Stamp) -> Option<String> {
        let tags = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        tags.get(key).filter(|(stamp, _)| stamp == now).map(|(_, tag)| tag.clone())
    }

    fn put(&self, key: String, stamp: Stamp, tag: String) {
        let mut tags = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if tags.len() >= MOST && !tags.contains_key(&key) {
            tags.clear();
        }
        tags.insert(key, (stamp, tag));
    }
}

/// Answers 304 from memory where that is right.
pub async fn fresh(State(app): State<App>, request: Request, next: Next) -> Response {
    let Some(key) = key(&request) else { return next.run(request).await };
    // Taken before anything is read: a write that comes in between makes what is remembered out of date.
    let Ok(generation) = app.store.generation().await else { return next.run(request).await };
    let stamp = Stamp { generation, day: crate::clock::today().to_string() };
    if request.headers().contains_key(header::IF_NONE_MATCH)
        && let Some(tag) = app.tags.get(&key, &stamp)
        && not_modified(request.headers(), &tag)
    {
        metrics::counter!("condyle_unchanged_total", "from" => "memory").increment(1);
        return tagged(request.headers(), &tag, "application/json", String::new);
    }
    let response = next.run(request).await;
    if matches!(response.status(), StatusCode::OK | StatusCode::NOT_MODIFIED) {
        if response.status() == StatusCode::NOT_MODIFIED {
            metrics::counter!("condyle_unchanged_total", "from" => "store").increment(1);
        }
        if let Some(tag) = response.headers().get(header::ETAG).and_then(|tag| tag.to_str().ok()) {
            app.tags.put(key, stamp, tag.to_owned());
        }
    }
    response
}

/// What an answer depends on beside the database: the URL, what is accepted, and what the caller may see. A tag is
/// remembered under it only where such a caller was answered; nobody who is not known gets as far as here.
fn key(request: &Request) -> Option<String> {
    if !matches!(*request.method(), Method::GET | Method::HEAD) {
        return None;
    }
    let path = request.uri().path();
    let below =
        |root: &str| path.strip_prefix(root).is_some_and(|rest| rest.is_empty() || rest.starts_with('/'));
    if !REMEMBERED.into_iter().any(below) {
        return None;
    }
    let caller = request.extensions().get::<Caller>()?;
    let key = format!("{}\n{}\n{}", request.uri(), accepted(request.headers()), caller.view());
    (key.len() <= LONGEST).then_some(key)
}

fn accepted(headers: &HeaderMap) -> String {
    list(headers, &header::ACCEPT)
}
