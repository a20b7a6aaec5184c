//! The only place that asks what time it is.

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

/// Milliseconds since the epoch.
pub fn now_ms() -> i64 {
    Timestamp::now().as_millisecond()
}

/// Today, UTC.
pub fn today() -> Date {
    TimeZone::UTC.to_datetime(Timestamp::now()).date()
}

/// RFC 3339 of a stored time.
pub fn rfc3339(ms: i64) -> String {
    Timestamp::from_millisecond(ms).map(|t| t.to_string()).unwrap_or_default()
}
