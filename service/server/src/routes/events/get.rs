//! `GET /v1/events`: server-sent events (HTML Living Standard §9.2).

use std::collections::VecDeque;
use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;

use axum::extract::State;
use axum::http::{HeaderMap, HeaderName, HeaderValue, header};
use axum::response::sse::{Event as Frame, KeepAlive, Sse};
use axum::response::{IntoResponse as _, Response};
use condyle_api::{Event, Problem, Reset, StreamFrame};
use futures_util::stream::{self, Stream};
use serde::Deserialize;
use tokio::sync::{OwnedSemaphorePermit, broadcast, watch};
use tokio::time::Instant;
use utoipa::IntoParams;

use crate::access::{Access, Caller, May, Reach, Read};
use crate::app::submit::sound;
use crate::problem::ApiError;
use crate::routes::negotiate::AppQuery;
use crate::state::App;
use crate::store::Store;

const LAST_EVENT_ID: HeaderName = HeaderName::from_static("last-event-id");

/// A listener's token is looked at again after this time, and at once when this process changes one.
const LOOK_AGAIN: Duration = Duration::from_secs(10);

/// What to listen to.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Wanted {
    /// Only events of this production.
    production: Option<String>,
    /// The last event that was seen, for callers that cannot send `Last-Event-ID`, which beats it.
    after: Option<u64>,
    /// End after so many seconds, for scripts that listen for a while. Without it, there is no end.
    #[param(minimum = 1, maximum = 86400)]
    seconds: Option<u64>,
}

/// How long a listener can ask to listen at most, in seconds; who listens longer does not say.
const LONGEST: u64 = 86_400;

/// What happens, as it happens: server-sent events, each with the id of the log and its kind as its name.
///
/// Without `Last-Event-ID` it begins now; the first frame has the id to come back with and no data. With it, what
/// happened since comes first, also after a restart of the service. Where that is no longer kept (or was never given
/// out), an event `reset` comes first, with `{"reason", "after"}`: read the lists again, and go on from there. A line
/// `:` now and then shows that the service lives. Listeners that do not keep up are cut off; they come back with
/// `Last-Event-ID` and miss nothing.
#[utoipa::path(
    get, path = "/v1/events", tag = "assets", operation_id = "listen", security((), ("token" = ["read"])),
    params(Wanted, ("Last-Event-ID" = Option<String>, Header, description = "The id of the last event that was seen")),
    responses(
        (status = 200, description = "Events, without end where no `seconds` are given; the data of each is an Event, or of one named `reset` a Reset", body = StreamFrame, content_type = "text/event-stream"),
        (status = 400, description = "The query or the id is wrong", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "Too many listen already, or the store cannot be used", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn get(
    State(app): State<App>,
    may: May<Read>,
    AppQuery(wanted): AppQuery<Wanted>,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    if wanted.seconds.is_some_and(|seconds| !(1..=LONGEST).contains(&seconds)) {
        return Err(ApiError::InvalidRequest(format!("seconds: from 1 to {LONGEST}")));
    }
    let end = wanted.seconds.map(|seconds| Instant::now() + Duration::from_secs(seconds));
    let production = wanted.production.filter(|name| !name.is_empty());
    if let Some(production) = &production {
        sound("production", production)?;
    }
    let reach = may.within(production.as_deref())?;
    let after = match headers.get(&LAST_EVENT_ID) {
        None => wanted.after,
        Some(value) => {
            let id = value.to_str().ok().map(str::trim).and_then(|text| text.parse::<u64>().ok());
            Some(id.ok_or_else(|| ApiError::InvalidRequest("Last-Event-ID is a number".into()))?)
        }
    };
    let after = after.map(|id| i64::try_from(id).unwrap_or(i64::MAX));
    let place = app.listeners.clone().try_acquire_owned().map_err(|_| ApiError::Busy)?;
    let mut listener = Listener::new(&app.store, production, after, place).await?;
    listener.reach = reach;
    listener.end = end;
    listener.pass = Some((app.access.clone(), may.caller));
    let alive = KeepAlive::new().interval(Duration::from_secs(app.config.events.keep_alive_s));
    let mut response = Sse::new(frames(listener)).keep_alive(alive).into_response();
    let out = response.headers_mut();
    out.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    Ok(response)
}

/// One listener.
struct Listener {
    store: Store,
    production: Option<String>,
    /// The productions that the listener may know of.
    reach: Reach,
    /// What lets it in, looked at again now and then.
    pass: Option<(Access, Caller)>,
    /// Frames that are ready.
    ready: VecDeque<Frame>,
    /// The last event that was looked at.
    at: i64,
    /// Up to here the log is read; what comes after it comes live.
    head: i64,
    live: broadcast::Receiver<Arc<Event>>,
    closing: watch::Receiver<bool>,
    /// When it ends of itself.
    end: Option<Instant>,
    _place: OwnedSemaphorePermit,
}

impl Listener {
    async fn new(
        store: &Store,
        production: Option<String>,
        after: Option<i64>,
        place: OwnedSemaphorePermit,
    ) -> Result<Self, ApiError> {
        let closing = store.changes().closing();
        let begun = store.subscribe().await?;
        let mut ready = VecDeque::new();
        let reset = |reason: &str| {
            let data = Reset { reason: reason.to_owned(), after: u64::try_from(begun.head).unwrap_or(0) };
            let data = serde_json::to_string(&data).unwrap_or_default();
            Frame::default().event("reset").id(begun.head.to_string()).data(data)
        };
        let at = match after {
            None => {
                ready.push_back(Frame::default().id(begun.head.to_string()));
                begun.head
            }
            Some(after) if after > begun.head => {
                ready.push_back(reset("this id was never given out; the store may have been restored"));
                begun.head
            }
            // The log's ids have no gaps: what follows `after` is there, or it is gone.
            Some(after) if after < begun.head && begun.oldest.is_none_or(|oldest| oldest > after + 1) => {
                ready.push_back(reset("what happened since is no longer kept"));
                begun.head
            }
            Some(after) => after,
        };
        let head = begun.head;
        Ok(Self {
            store: store.clone(),
            production,
            reach: Reach::All,
            pass: None,
            ready,
            at,
            head,
            live: begun.live,
            closing,
            end: None,
            _place: place,
        })
    }

    /// The next frame; nothing where it ends.
    async fn next(&mut self) -> Option<Frame> {
        loop {
            if *self.closing.borrow() || self.end.is_some_and(|end| Instant::now() >= end) {
                return None;
            }
            if let Some(frame) = self.ready.pop_front() {
                return Some(frame);
            }
            if self.at < self.head {
                self.read_on().await?;
                continue;
            }
            let pass = self.pass.clone();
            let event = tokio::select! {
                event = self.live.recv() => event,
                _ = self.closing.changed() => return None,
                () = ended(pass, &self.store) => return None,
                () = until(self.end) => return None,
            };
            match event {
                Ok(event) if self.wants(&event) => return Some(frame(&event)),
                Ok(_) => {}
                Err(broadcast::error::RecvError::Lagged(missed)) => {
                    metrics::counter!("condyle_listeners_dropped_total").increment(1);
                    tracing::info!(missed, "a listener did not keep up");
                    return None;
                }
                Err(broadcast::error::RecvError::Closed) => return None,
            }
        }
    }

    /// Reads more of the log; ends where the database does not answer: the listener comes back with what it has.
    async fn read_on(&mut self) -> Option<()> {
        let list = self.store.events(self.at, self.head, self.production.as_deref()).await;
        let list = list.inspect_err(|error| tracing::warn!(%error, "a listener was cut off")).ok()?;
        self.at = list.last().map_or(self.head, |event| event.id as i64);
        self.ready.extend(list.iter().filter(|event| self.reach.covers(&event.production)).map(frame));
        Some(())
    }

    fn wants(&self, event: &Event) -> bool {
        event.id as i64 > self.head
            && self.reach.covers(&event.production)
            && self.production.as_ref().is_none_or(|name| *name == event.production)
    }
}

/// Resolves at a time, or never.
async fn until(end: Option<Instant>) {
    match end {
        Some(end) => tokio::time::sleep_until(end).await,
        None => std::future::pending().await,
    }
}

/// Resolves when what let a listener in is good no longer: revoked, changed, or over.
async fn ended(pass: Option<(Access, Caller)>, store: &Store) {
    let Some((access, caller)) = pass.filter(|(access, _)| access.on()) else {
        return std::future::pending().await;
    };
    let mut changes = access.changes();
    while access.still(store, &caller).await {
        let _ = tokio::time::timeout(LOOK_AGAIN, changes.changed()).await;
    }
}

fn frame(event: &Event) -> Frame {
    let data = serde_json::to_string(event).unwrap_or_default();
    Frame::default().id(event.id.to_string()).event(event.event.word()).data(data)
}

fn frames(listener: Listener) -> impl Stream<Item = Result<Frame, Infallible>> {
    stream::unfold(listener, |mut listener| async move {
        let frame = listener.next().await?;
        Some((Ok(frame), listener))
    })
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use condyle_api::EventKind;
    use tokio::sync::Semaphore;

    use super::*;

    fn event(id: u64) -> Arc<Event> {
        Arc::new(Event {
            id,
            at: String::new(),
            event: EventKind::PolicyChanged,
            production: "tidepool".into(),
            asset: None,
            label: None,
            number: None,
            verdict: None,
            verdict_before: None,
            reason: None,
            assets: None,
            revisions: None,
            webhook: None,
        })
    }

    #[tokio::test]
    async fn who_does_not_keep_up_is_cut_off_and_who_does_is_not() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open(&folder.path().join("condyle.sqlite")).await.unwrap();
        let places = Arc::new(Semaphore::new(2));
        let listen = async || {
            let place = places.clone().acquire_owned().await.unwrap();
            let mut listener = Listener::new(&store, None, None, place).await.unwrap();
            assert!(listener.next().await.is_some(), "where to come back to");
            listener
        };
        let (mut slow, mut quick) = (listen().await, listen().await);
        for id in 1..=2_000 {
            store.changes().live().send(event(id)).unwrap();
            assert!(quick.next().await.is_some(), "{id}");
        }
        assert!(slow.next().await.is_none());
        drop(slow);
        assert_eq!(places.available_permits(), 1);
        store.changes().close();
        assert!(quick.next().await.is_none(), "the service stops");
    }
}
