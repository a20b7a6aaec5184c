//! W3C Trace Context: the trace that a request belongs to, for the log and for the caller; trusted for nothing.

use std::sync::atomic::{AtomicU64, Ordering};

use axum::http::{HeaderMap, HeaderName, HeaderValue};

const TRACEPARENT: HeaderName = HeaderName::from_static("traceparent");
/// The name that the draft "Trace Context HTTP Response Headers Format" gives the answer.
pub(crate) const TRACERESPONSE: HeaderName = HeaderName::from_static("traceresponse");

/// A request within its trace.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Trace {
    /// The trace, 32 hex digits: the caller's, or a new one where the caller sent none that is sound.
    pub(crate) id: String,
    /// This request in it, 16 hex digits.
    pub(crate) span: String,
    /// The caller's own place in it.
    pub(crate) parent: Option<String>,
    sampled: bool,
}

impl Trace {
    /// Of a request's headers.
    pub(crate) fn of(headers: &HeaderMap) -> Self {
        let mut values = headers.get_all(&TRACEPARENT).iter();
        // Several are as bad as none (Trace Context §3.2).
        let sound = match (values.next().and_then(|value| value.to_str().ok()), values.next()) {
            (Some(text), None) => read(text),
            _ => None,
        };
        let fresh = fresh();
        let span = fresh[32..48].to_owned();
        match sound {
            Some((id, parent, sampled)) => Self { id, span, parent: Some(parent), sampled },
            None => Self { id: fresh[..32].to_owned(), span, parent: None, sampled: false },
        }
    }

    /// Whether the caller wants it kept.
    pub(crate) fn sampled(&self) -> bool {
        self.sampled
    }

    /// Takes the ids that are sent to a collector.
    pub(crate) fn goes_on(&mut self, id: &str, span: &str, sampled: bool) {
        id.clone_into(&mut self.id);
        span.clone_into(&mut self.span);
        self.sampled = sampled;
    }

    /// What the caller is told.
    pub(crate) fn answer(&self) -> Option<HeaderValue> {
        HeaderValue::from_str(&self.parent_of_what_follows()).ok()
    }

    /// The `traceparent` of what this request makes others do.
    fn parent_of_what_follows(&self) -> String {
        format!("00-{}-{}-0{}", self.id, self.span, u8::from(self.sampled))
    }

    /// The place in a trace that a `traceparent` names, where it is sound.
    pub(crate) fn below(header: &str) -> Option<Self> {
        let (id, parent, sampled) = read(header)?;
        Some(Self { id, span: fresh()[32..48].to_owned(), parent: Some(parent), sampled })
    }
}

tokio::task_local! {
    /// The `traceparent` for what the request that is being answered leaves to be done later.
    static LATER: String;
}

/// Answers a request; what it leaves to be done later knows its trace.
pub(crate) async fn within<T>(trace: &Trace, work: impl Future<Output = T>) -> T {
    LATER.scope(trace.parent_of_what_follows(), work).await
}

/// The `traceparent` of the request that is being answered, where its spans are sent.
pub(crate) fn current() -> Option<String> {
    LATER.try_with(Clone::clone).ok()
}

/// Trace, parent and whether it is sampled, of a sound `traceparent`.
fn read(header: &str) -> Option<(String, String, bool)> {
    let hex = |text: &str, length: usize| {
        text.len() == length && text.bytes().all(|b| b.is_ascii_digit() || (b'a'..=b'f').contains(&b))
    };
    let mut fields = header.trim().split('-');
    let (version, trace, parent, flags) = (fields.next()?, fields.next()?, fields.next()?, fields.next()?);
    let sound = hex(version, 2)
        && version != "ff"
        && hex(trace, 32)
        && trace.bytes().any(|b| b != b'0')
        && hex(parent, 16)
        && parent.bytes().any(|b| b != b'0')
        && hex(flags, 2)
        && (version != "00" || fields.next().is_none());
    let sampled = u8::from_str_radix(flags, 16).is_ok_and(|bits| bits & 1 == 1);
    sound.then(|| (trace.to_owned(), parent.to_owned(), sampled))
}

/// Hex digits that no other request of any process has: ids need to differ, not to be secret.
fn fresh() -> String {
    static NEXT: AtomicU64 = AtomicU64::new(1);
    let (now, next) = (crate::clock::now_ms(), NEXT.fetch_add(1, Ordering::Relaxed));
    let place = std::ptr::from_ref(&NEXT).addr();
    condyle_core::intake::file_digest(format!("{now} {next} {} {place}", std::process::id()).as_bytes())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The first header is the example of W3C Trace Context, §3.2.3.
    #[test]
    fn a_traceparent_is_read_only_when_sound() {
        let trace = "4bf92f3577b34da6a3ce929d0e0e4736";
        let parent = || "00f067aa0ba902b7".to_owned();
        assert_eq!(read(&format!("00-{trace}-00f067aa0ba902b7-01")), Some((trace.into(), parent(), true)));
        assert_eq!(read(&format!("00-{trace}-00f067aa0ba902b7-00")), Some((trace.into(), parent(), false)));
        assert_eq!(
            read(&format!("01-{trace}-00f067aa0ba902b7-01-more")),
            Some((trace.into(), parent(), true))
        );
        for broken in [
            String::new(),
            format!("ff-{trace}-00f067aa0ba902b7-01"),
            format!("00-{trace}-00f067aa0ba902b7-01-more"),
            format!("00-{}-00f067aa0ba902b7-01", trace.to_uppercase()),
            format!("00-{}-00f067aa0ba902b7-01", "0".repeat(32)),
            format!("00-{trace}-{}-01", "0".repeat(16)),
            format!("00-{trace}-00f067aa0ba902b7"),
        ] {
            assert_eq!(read(&broken), None, "{broken}");
        }
    }

    #[test]
    fn without_a_sound_one_a_trace_begins() {
        let mut headers = HeaderMap::new();
        let (one, other) = (Trace::of(&headers), Trace::of(&headers));
        assert_ne!(one.id, other.id);
        assert_eq!((one.id.len(), one.span.len(), one.parent), (32, 16, None));
        let sound = "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01";
        headers.append(TRACEPARENT, HeaderValue::from_static(sound));
        let trace = Trace::of(&headers);
        let answer = trace.answer().and_then(|value| value.to_str().ok().map(str::to_owned));
        assert_eq!(answer, Some(format!("00-4bf92f3577b34da6a3ce929d0e0e4736-{}-01", trace.span)));
        headers.append(TRACEPARENT, HeaderValue::from_static(sound));
        assert_eq!(Trace::of(&headers).parent, None, "two are none");
    }
}
