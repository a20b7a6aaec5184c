//! `Idempotency-Key` (draft-ietf-httpapi-idempotency-key-header-07): a request that is sent again gets the first
//! answer again.
//!
//! The same key with another request is 422, and while the first request is being answered 409, as §2.7 says. Answers
//! below 500 are kept, refusals too; an answer that says "try again" leaves the key free.

use axum::body::Body;
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, Uri, header};
use axum::response::{IntoResponse as _, Response};
use condyle_core::intake::{file_digest, input_digest};

use super::negotiate::list;
use crate::access::Caller;
use crate::app::offer::fresh_id;
use crate::problem::ApiError;
use crate::state::App;
use crate::store::{Answer, KeyState};
use crate::submission::Submission;

const KEY: HeaderName = HeaderName::from_static("idempotency-key");
/// Letters of a key.
const LONGEST: usize = 255;
/// Bytes of an answer that is kept; the same request is the same answer anyway, as long as nothing else changed.
const MOST_KEPT: usize = 16 << 20;
/// What a kept answer says beside its body.
const KEPT: [&str; 7] =
    ["content-type", "etag", "location", "retry-after", "vary", "cache-control", "preference-applied"];
/// Request headers that change the meaning of a request. `Prefer` does not.
const MEANT: [HeaderName; 3] = [header::ACCEPT, header::IF_MATCH, header::IF_NONE_MATCH];

/// The parts of a request that a key belongs to.
#[derive(Debug)]
pub struct Asked<'a> {
    /// The method.
    pub method: &'a Method,
    /// Path and query.
    pub uri: &'a Uri,
    /// The headers.
    pub headers: &'a HeaderMap,
    /// Who asks: a key is the caller's own.
    pub caller: &'a Caller,
}

impl Asked<'_> {
    /// Whether there is a key: then the caller can ask again.
    pub fn has_key(&self) -> bool {
        self.headers.contains_key(&KEY)
    }

    /// The key, told apart from the same key of another token.
    fn key(&self) -> Result<Option<String>, ApiError> {
        let key = key(self.headers)?;
        // A key has no control letter.
        Ok(key.map(|key| self.caller.id().map_or_else(|| key.clone(), |id| format!("{id}\n{key}"))))
    }

    /// What the key belongs to, beside the body.
    fn line(&self) -> Vec<String> {
        let meant = MEANT.into_iter().map(|name| list(self.headers, &name));
        [self.method.to_string(), self.uri.to_string()].into_iter().chain(meant).collect()
    }
}

/// Answers by `work`, which is given the submission and the id of the job that it may make; with a key, once.
pub async fn once<F: Future<Output = Result<Response, ApiError>>>(
    app: &App,
    asked: Asked<'_>,
    submission: Submission,
    work: impl FnOnce(Submission, String) -> F,
) -> Result<Response, ApiError> {
    let Some(name) = asked.key()? else { return work(submission, fresh_id()).await };
    let line = asked.line();
    let (digest, submission) =
        app.porters.run(move |_| (fingerprint(&line, &submission), submission)).await?;
    answer_once(app, name, &digest, |job| work(submission, job)).await
}

/// The same for a small text.
pub async fn once_text<F: Future<Output = Result<Response, ApiError>>>(
    app: &App,
    asked: Asked<'_>,
    body: String,
    work: impl FnOnce(String, String) -> F,
) -> Result<Response, ApiError> {
    let Some(name) = asked.key()? else { return work(body, fresh_id()).await };
    let digest = file_digest(format!("{}\n{body}", asked.line().join("\n")).as_bytes());
    answer_once(app, name, &digest, |job| work(body, job)).await
}

async fn answer_once<F: Future<Output = Result<Response, ApiError>>>(
    app: &App,
    name: String,
    digest: &str,
    work: impl FnOnce(String) -> F,
) -> Result<Response, ApiError> {
    let holder = fresh_id();
    let now = crate::clock::now_ms();
    let patience = (app.config.server.request_timeout_s as i64).saturating_mul(1_000);
    let state = app.store.take_key(&name, digest, &holder, &fresh_id(), now, now + patience).await?;
    let job = match state {
        KeyState::Ours(job) => job,
        KeyState::Answered(answer) => return again(answer),
        KeyState::InUse => return Err(ApiError::KeyInUse),
        KeyState::Reused => return Err(ApiError::KeyReused),
    };
    let mut held = Held { app: app.clone(), name, holder, done: false };
    let response = match work(job).await {
        Ok(response) => response,
        // Given back here and not when dropped: a caller who tries again at once must find it free.
        Err(error) if error.may_pass() => {
            held.give_back().await;
            return Err(error);
        }
        Err(refusal) => refusal.into_response(),
    };
    held.keep(response).await
}

/// The key: a string of RFC 8941 as the draft says, or bare, as many callers send it.
fn key(headers: &HeaderMap) -> Result<Option<String>, ApiError> {
    let mut values = headers.get_all(&KEY).iter();
    let Some(value) = values.next() else { return Ok(None) };
    let wrong = || {
        let text = format!("Idempotency-Key is one string of 1 to {LONGEST} printable ASCII letters");
        ApiError::InvalidRequest(text)
    };
    if values.next().is_some() {
        return Err(wrong());
    }
    let text = value.to_str().map_err(|_| wrong())?.trim();
    let bare = match text.strip_prefix('"') {
        Some(rest) => rest.strip_suffix('"').ok_or_else(wrong)?.replace("\\\"", "\"").replace("\\\\", "\\"),
        None => text.to_owned(),
    };
    let sound = (1..=LONGEST).contains(&bare.len()) && bare.bytes().all(|b| (b' '..=b'~').contains(&b));
    if sound { Ok(Some(bare)) } else { Err(wrong()) }
}

fn fingerprint(line: &[String], submission: &Submission) -> String {
    let mut text = line.join("\n");
    text.push('\n');
    text.push_str(&input_digest(&submission.bundle()));
    for (role, file) in submission.all().chain(submission.reference.iter().map(|file| ("reference", file))) {
        text.push_str(&format!("\n{role} {} {}", file_digest(&file.bytes), file.name));
    }
    for (part, content) in [("profile", &submission.profile), ("waivers", &submission.waivers)] {
        let digest = content.as_ref().map(|content| file_digest(content.as_bytes()));
        text.push_str(&format!("\n{part} {}", digest.unwrap_or_default()));
    }
    file_digest(text.as_bytes())
}

fn again(answer: Answer) -> Result<Response, ApiError> {
    let headers: Vec<(String, String)> =
        serde_json::from_str(&answer.headers).map_err(|error| ApiError::Internal(error.to_string()))?;
    let status = StatusCode::from_u16(answer.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
    let mut response = (status, Body::from(answer.body)).into_response();
    // The kept headers are all there were.
    response.headers_mut().clear();
    for (name, value) in headers {
        if let (Ok(name), Ok(value)) = (HeaderName::try_from(name), HeaderValue::try_from(value)) {
            response.headers_mut().insert(name, value);
        }
    }
    Ok(response)
}

/// A key that is being answered; given back when the caller goes away.
struct Held {
    app: App,
    name: String,
    holder: String,
    done: bool,
}

impl Held {
    async fn give_back(&mut self) {
        self.done = true;
        let now = crate::clock::now_ms();
        if let Err(error) = self.app.store.give_key_back(&self.name, &self.holder, now).await {
            tracing::warn!(%error, "an Idempotency-Key is not given back; its time will end");
        }
    }

    /// Keeps what is final, and answers it.
    async fn keep(&mut self, response: Response) -> Result<Response, ApiError> {
        let (parts, body) = response.into_parts();
        let bytes = axum::body::to_bytes(body, usize::MAX)
            .await
            .map_err(|error| ApiError::Internal(error.to_string()))?;
        let text = std::str::from_utf8(&bytes).ok().filter(|text| text.len() <= MOST_KEPT);
        match text.filter(|_| !parts.status.is_server_error()) {
            None => self.give_back().await,
            Some(text) => {
                let told =
                    KEPT.iter().filter_map(|name| Some((*name, parts.headers.get(*name)?.to_str().ok()?)));
                let answer = Answer {
                    status: parts.status.as_u16(),
                    headers: serde_json::to_string(&told.collect::<Vec<_>>()).unwrap_or_default(),
                    body: text.to_owned(),
                };
                let hours = self.app.config.jobs.keep_answers_h as i64;
                let until = crate::clock::now_ms() + hours.saturating_mul(3_600_000);
                // What the request did is stored already, and doing it again changes nothing.
                match self.app.store.keep_answer(&self.name, &self.holder, &answer, until).await {
                    Ok(_) => self.done = true,
                    Err(error) => tracing::warn!(%error, "the answer to an Idempotency-Key is not kept"),
                }
            }
        }
        Ok(Response::from_parts(parts, Body::from(bytes)))
    }
}

impl Drop for Held {
    fn drop(&mut self) {
        if self.done {
            return;
        }
        let (app, name, holder) = (self.app.clone(), self.name.clone(), self.holder.clone());
        if let Ok(runtime) = tokio::runtime::Handle::try_current() {
            runtime.spawn(async move {
                let now = crate::clock::now_ms();
                let _ = app.store.give_key_back(&name, &holder, now).await;
            });
        }
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;

    #[test]
    fn a_key_is_a_string_quoted_or_bare() {
        let read = |text: &str| {
            let mut headers = HeaderMap::new();
            headers.insert(KEY, HeaderValue::from_str(text).unwrap());
            key(&headers).ok().flatten()
        };
        // The first is the example of §2.1 of the draft.
        let example = "8e03978e-40d5-43e8-bc93-6894a57f9324";
        assert_eq!(read(&format!("\"{example}\"")).as_deref(), Some(example));
        assert_eq!(read(example).as_deref(), Some(example));
        assert_eq!(read("\"a\\\"b\"").as_deref(), Some("a\"b"));
        assert_eq!(read("\"a"), None);
        assert_eq!(read("\"\""), None);
        assert_eq!(read(&"k".repeat(256)), None);
    }
}
