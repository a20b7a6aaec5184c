//! `Prefer` (RFC 7240): answer later, and how long the caller waits.

use std::time::Duration;

use axum::http::{HeaderMap, HeaderName, HeaderValue};
use axum::response::Response;

use super::negotiate::list;

const PREFER: HeaderName = HeaderName::from_static("prefer");
const APPLIED: HeaderName = HeaderName::from_static("preference-applied");

/// What a caller prefers, as far as it is known here; what is malformed is ignored, as §2 asks.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Prefer {
    /// `respond-async`: 202 rather than a long wait.
    pub respond_async: bool,
    /// `wait`: an answer within this time, in seconds.
    pub wait_s: Option<u64>,
}

impl Prefer {
    /// Reads the header; of a preference that comes twice the first counts. Nobody waits longer than `most_s`.
    pub fn of(headers: &HeaderMap, most_s: u64) -> Self {
        let mut prefer = Self::default();
        for preference in list(headers, &PREFER).split(',') {
            let token = preference.split(';').next().unwrap_or("");
            let (name, value) = token.split_once('=').unwrap_or((token, ""));
            let value = value.trim().trim_matches('"');
            match name.trim().to_ascii_lowercase().as_str() {
                "respond-async" => prefer.respond_async = true,
                "wait" if prefer.wait_s.is_none() => {
                    prefer.wait_s = value.parse::<u64>().ok().map(|seconds| seconds.min(most_s));
                }
                _ => {}
            }
        }
        prefer
    }

    /// Whether the work is to be a job.
    pub fn is_job(self) -> bool {
        self.respond_async || self.wait_s.is_some()
    }

    /// How long the caller waits for the job.
    pub fn wait(self) -> Duration {
        Duration::from_secs(self.wait_s.unwrap_or(0))
    }

    /// Says what was applied (§3): of an answer in time, that it did not take longer; of a 202, also that it is one.
    pub fn applied(self, response: &mut Response, in_time: bool) {
        let wait = self.wait_s.map(|seconds| format!("wait={seconds}"));
        let later = (self.respond_async && !in_time).then(|| "respond-async".to_owned());
        let told: Vec<String> = later.into_iter().chain(wait).collect();
        if !told.is_empty()
            && let Ok(value) = HeaderValue::from_str(&told.join(", "))
        {
            response.headers_mut().insert(APPLIED, value);
        }
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;

    fn of(values: &[&str]) -> (bool, Option<u64>) {
        let mut headers = HeaderMap::new();
        for value in values {
            headers.append(PREFER, HeaderValue::from_str(value).unwrap());
        }
        let prefer = Prefer::of(&headers, 100);
        (prefer.respond_async, prefer.wait_s)
    }

    /// The first four are the examples of RFC 7240 §2, §4.1 and §4.3.
    #[test]
    fn preferences_are_read_as_the_standard_writes_them() {
        assert_eq!(of(&["respond-async, wait=100", "handling=lenient"]), (true, Some(100)));
        assert_eq!(of(&["foo; some-parameter=\"\"", "Lenient"]), (false, None));
        assert_eq!(of(&["respond-async"]), (true, None));
        assert_eq!(of(&["respond-async, wait=10"]), (true, Some(10)));
        assert_eq!(of(&["wait=3, wait=9"]), (false, Some(3)));
        assert_eq!(of(&["Respond-Async", "WAIT = \"7\"; why=so"]), (true, Some(7)));
        assert_eq!(of(&["wait=soon", "wait=-1"]), (false, None));
        assert_eq!(of(&["wait=100000"]), (false, Some(100)));
    }
}
