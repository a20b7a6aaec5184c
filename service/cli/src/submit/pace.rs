//! When to ask again: back-off that doubles, what the service says, and one pause for all that is under way.

use std::hash::{BuildHasher as _, Hasher as _};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use reqwest::header::{HeaderMap, RETRY_AFTER};

/// The first pause where the service does not say; each further one is twice as long.
const FIRST: Duration = Duration::from_millis(500);
/// And none is longer.
const LONGEST: Duration = Duration::from_secs(30);
/// What the service says counts up to this: no file has longer, and a moment far enough ahead cannot be counted.
const DAY: Duration = Duration::from_hours(24);

/// What all requests of a run keep to: when the service said "later" to one, the others wait, too.
#[derive(Debug, Default)]
pub(super) struct Pace {
    later: Mutex<Option<Instant>>,
}

impl Pace {
    /// Nobody asks before this.
    pub(super) fn hold(&self, until: Instant) {
        let mut later = self.later.lock().unwrap_or_else(PoisonError::into_inner);
        *later = Some(later.map_or(until, |at| at.max(until)));
    }

    /// How long to wait before asking.
    pub(super) fn left(&self) -> Duration {
        let later = self.later.lock().unwrap_or_else(PoisonError::into_inner);
        later.map_or(Duration::ZERO, |at| at.saturating_duration_since(Instant::now()))
    }
}

/// The pause after so many tries in a row that came to nothing, from half of it to all of it: many clients that were
/// turned away together come back one by one.
pub(super) fn pause(tries: u32) -> Duration {
    let whole = FIRST.saturating_mul(1 << tries.min(16)).min(LONGEST);
    // Seeded anew by the system each time.
    let random = std::hash::RandomState::new().build_hasher().finish() % 1_000;
    whole.mul_f64(0.5 + random as f64 / 2_000.0)
}

/// What an answer says: `Retry-After` (RFC 9110 §10.2.3) in seconds or as a date, else the `t` of a `RateLimit` field
/// of which nothing is left (draft-ietf-httpapi-ratelimit-headers-10). At most a day.
pub(super) fn asked(headers: &HeaderMap, now: jiff::Timestamp) -> Option<Duration> {
    said(headers, now).map(|pause| pause.min(DAY))
}

fn said(headers: &HeaderMap, now: jiff::Timestamp) -> Option<Duration> {
    let text = |name: &str| headers.get(name).and_then(|value| value.to_str().ok());
    if let Some(value) = text(RETRY_AFTER.as_str()) {
        if let Ok(seconds) = value.trim().parse() {
            return Some(Duration::from_secs(seconds));
        }
        let date = jiff::fmt::rfc2822::DateTimeParser::new().parse_timestamp(value.trim()).ok()?;
        let ahead = date.duration_since(now);
        return Some(Duration::try_from(ahead).unwrap_or(Duration::ZERO));
    }
    // Policies of one field are separated by commas, parameters by semicolons (RFC 9651).
    let spent = text("ratelimit")?.split(',').filter_map(|policy| {
        let number = |key: &str| -> Option<u64> {
            policy
                .split(';')
                .skip(1)
                .find_map(|pair| pair.trim().strip_prefix(key)?.strip_prefix('=')?.parse().ok())
        };
        (number("r") == Some(0)).then(|| number("t")).flatten()
    });
    spent.max().map(Duration::from_secs)
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;

    fn seconds(pairs: &[(&'static str, &'static str)]) -> Option<u64> {
        let mut headers = HeaderMap::new();
        for (name, value) in pairs {
            headers.insert(*name, value.parse().unwrap());
        }
        // The example date of RFC 9110 §5.6.7 is 37 s after this.
        let now = "1994-11-06T08:49:00Z".parse().unwrap();
        asked(&headers, now).map(|pause| pause.as_secs())
    }

    #[test]
    fn the_service_is_taken_at_its_word() {
        assert_eq!(seconds(&[("retry-after", "120")]), Some(120));
        assert_eq!(seconds(&[("retry-after", "Sun, 06 Nov 1994 08:49:37 GMT")]), Some(37));
        assert_eq!(seconds(&[("retry-after", "Sun, 06 Nov 1994 08:00:00 GMT")]), Some(0), "it is past");
        assert_eq!(seconds(&[("retry-after", "soon")]), None);
        assert_eq!(seconds(&[("ratelimit", "\"default\";r=0;t=30")]), Some(30));
        assert_eq!(seconds(&[("ratelimit", "\"burst\";r=5;t=1, \"day\";r=0;t=50")]), Some(50));
        assert_eq!(seconds(&[("ratelimit", "\"default\";r=3;t=30")]), None, "there is more");
        assert_eq!(seconds(&[("retry-after", "2"), ("ratelimit", "\"default\";r=0;t=30")]), Some(2));
        assert_eq!(seconds(&[]), None);
        let day = Some(86_400);
        assert_eq!(seconds(&[("retry-after", "18446744073709551615")]), day, "and not for ever");
        assert_eq!(seconds(&[("retry-after", "Tue, 31 Dec 2999 23:59:59 GMT")]), day);
        assert_eq!(seconds(&[("ratelimit", "\"default\";r=0;t=18446744073709551615")]), day);
    }

    #[test]
    fn pauses_double_up_to_half_a_minute() {
        for (tries, least, most) in [(0, 250, 500), (1, 500, 1_000), (4, 4_000, 8_000), (40, 15_000, 30_000)]
        {
            let pause = pause(tries).as_millis();
            assert!((least..=most).contains(&pause), "{tries}: {pause}");
        }
    }

    #[test]
    fn the_longest_pause_holds_for_all() {
        let pace = Pace::default();
        assert_eq!(pace.left(), Duration::ZERO);
        pace.hold(Instant::now() + Duration::from_mins(1));
        pace.hold(Instant::now() + Duration::from_secs(1));
        assert!(pace.left() > Duration::from_secs(50));
    }
}
