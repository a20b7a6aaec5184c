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

/// RFC 3339 of a stored time, always with milliseconds: as texts they are in the order of time.
pub fn rfc3339(ms: i64) -> String {
    Timestamp::from_millisecond(ms).map(|t| format!("{t:.3}")).unwrap_or_default()
}

/// The UTC day of a stored time, `YYYY-MM-DD`.
pub fn day(ms: i64) -> String {
    Timestamp::from_millisecond(ms)
        .map(|t| TimeZone::UTC.to_datetime(t).date().to_string())
        .unwrap_or_default()
}

/// Milliseconds since the epoch of an RFC 3339 time.
pub fn from_rfc3339(text: &str) -> Option<i64> {
    text.parse::<Timestamp>().ok().map(|t| t.as_millisecond())
}
