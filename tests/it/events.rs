//! `/v1/events`.

use std::time::Duration;

use condyle_api::{Event, EventKind, Problem};
use condyle_core::report::Verdict;
use condyle_tests::{Service, broken_plan, plan};
use reqwest::{Response, StatusCode};
use serde_json::json;

/// A server-sent event as a reader sees it (HTML Living Standard §9.2.6).
#[derive(Debug, Clone, PartialEq, Eq)]
struct Frame {
    id: Option<String>,
    name: Option<String>,
    data: Option<String>,
}

struct Reader {
    response: Response,
    text: String,
    comments: usize,
}

impl Reader {
    async fn open(service: &Service, query: &str, last: Option<&str>) -> Self {
        let mut get = service.client.get(service.url(&format!("/v1/events{query}")));
        if let Some(last) = last {
            get = get.header("last-event-id", last);
        }
        let response = get.send().await.unwrap();
        assert_eq!(response.status(), StatusCode::OK);
        assert_eq!(response.headers()["content-type"], "text/event-stream");
        Self { response, text: String::new(), comments: 0 }
    }

    /// The next block that is no comment; nothing where the stream ends.
    async fn next(&mut self) -> Option<Frame> {
        loop {
            if let Some(end) = self.text.find("\n\n") {
                let block: String = self.text.drain(..end + 2).collect();
                let field = |name: &str| {
                    let line = block.lines().find_map(|line| line.strip_prefix(name)?.strip_prefix(':'));
                    line.map(|value| value.trim_start().to_owned())
                };
                let frame = Frame { id: field("id"), name: field("event"), data: field("data") };
                if frame == (Frame { id: None, name: None, data: None }) {
                    self.comments += 1;
                    continue;
                }
                return Some(frame);
            }
            let chunk = tokio::time::timeout(Duration::from_secs(20), self.response.chunk()).await;
            let chunk = chunk.unwrap().ok()??;
            self.text.push_str(std::str::from_utf8(&chunk).unwrap());
        }
    }

    async fn event(&mut self) -> Event {
        let frame = self.next().await.unwrap();
        let event: Event = serde_json::from_str(&frame.data.unwrap()).unwrap();
        assert_eq!(frame.name.as_deref(), Some(event.event.word()));
        assert_eq!(frame.id.unwrap(), event.id.to_string());
        event
    }
}

fn path(production: &str, asset: &str, label: &str) -> String {
    format!("/v1/assets/{production}/{asset}/revisions/{label}")
}

#[tokio::test]
async fn what_happens_is_told_in_order_and_by_production() {
    let service = Service::start().await;
    let mut all = Reader::open(&service, "", None).await;
    let mut some = Reader::open(&service, "?production=tidepool", None).await;
    let first = all.next().await.unwrap();
    assert_eq!((first.id.as_deref(), first.data), (Some("0"), None), "where to come back to");
    some.next().await.unwrap();
    service.submit(&path("shallows", "crab", "v1"), &plan("crab")).await;
    service.submit(&path("tidepool", "heron", "v1"), &plan("heron")).await;
    service.submit(&path("tidepool", "heron", "v2"), &broken_plan("heron")).await;
    let policy = service.client.put(service.url("/v1/productions/tidepool/policy"));
    policy.json(&json!({"profile": "film"})).send().await.unwrap();
    service.client.delete(service.url("/v1/assets/tidepool/heron")).send().await.unwrap();
    let mut seen = Vec::new();
    for _ in 0..8 {
        seen.push(all.event().await);
    }
    let kinds: Vec<EventKind> = seen.iter().map(|event| event.event).collect();
    assert_eq!(
        kinds,
        [
            EventKind::RevisionStored,
            EventKind::RevisionStored,
            EventKind::RevisionStored,
            EventKind::VerdictChanged,
            EventKind::PolicyChanged,
            EventKind::RevisionDeleted,
            EventKind::RevisionDeleted,
            EventKind::AssetDeleted,
        ]
    );
    assert_eq!(seen.iter().map(|event| event.id).collect::<Vec<_>>(), (1..=8).collect::<Vec<_>>());
    assert_eq!((seen[3].verdict_before, seen[3].verdict), (Some(Verdict::Pass), Some(Verdict::Fail)));
    let tidepool = some.event().await;
    assert_eq!((tidepool.id, tidepool.asset.as_deref()), (2, Some("heron")));
}

#[tokio::test]
async fn who_comes_back_misses_nothing_even_after_a_restart() {
    let folder = tempfile::tempdir().unwrap();
    let service = Service::start_in(folder.path(), |_| {}).await;
    let mut reader = Reader::open(&service, "", None).await;
    reader.next().await.unwrap();
    service.submit(&path("tidepool", "heron", "v1"), &plan("heron")).await;
    assert_eq!(reader.event().await.id, 1);
    service.submit(&path("tidepool", "eel", "v1"), &plan("eel")).await;
    // A listener never keeps a stop waiting.
    let stopped = tokio::time::timeout(Duration::from_secs(20), service.stopped()).await;
    stopped.unwrap().unwrap();
    let service = Service::start_in(folder.path(), |_| {}).await;
    let mut reader = Reader::open(&service, "", Some("1")).await;
    let missed = reader.event().await;
    assert_eq!((missed.id, missed.asset.as_deref()), (2, Some("eel")));
    service.submit(&path("tidepool", "crab", "v1"), &plan("crab")).await;
    assert_eq!(reader.event().await.id, 3);
    let mut by_query = Reader::open(&service, "?after=2", None).await;
    assert_eq!(by_query.event().await.id, 3);
}

#[tokio::test]
async fn who_asks_for_some_seconds_is_let_go_after_them() {
    let service = Service::start().await;
    let mut reader = Reader::open(&service, "?seconds=1", None).await;
    assert_eq!(reader.next().await.unwrap().id.as_deref(), Some("0"), "where to come back to");
    assert_eq!(reader.next().await, None);
    for wrong in ["0", "86401", "-1", "soon", ""] {
        let response = service.client.get(service.url(&format!("/v1/events?seconds={wrong}"))).send().await;
        assert_eq!(response.unwrap().status(), StatusCode::BAD_REQUEST, "{wrong}");
    }
}

#[tokio::test]
async fn an_id_that_is_too_old_or_unknown_is_told_to_read_anew() {
    let service = Service::start_with(|config| config.events.keep = 4).await;
    for number in 0..70 {
        let label = format!("v{number}");
        service.submit(&path("tidepool", "heron", &label), &plan("heron")).await;
    }
    for (id, why) in [("3", "no longer kept"), ("9999", "never given out")] {
        let mut reader = Reader::open(&service, "", Some(id)).await;
        let reset = reader.next().await.unwrap();
        assert_eq!((reset.name.as_deref(), reset.id.as_deref()), (Some("reset"), Some("70")), "{id}");
        assert!(reset.data.unwrap().contains(why), "{id}");
    }
    let mut kept = Reader::open(&service, "", Some("66")).await;
    assert_eq!(kept.event().await.id, 67);
    let wrong =
        service.client.get(service.url("/v1/events")).header("last-event-id", "x").send().await.unwrap();
    assert_eq!(wrong.status(), StatusCode::BAD_REQUEST);
}

#[tokio::test]
async fn listeners_are_few_and_quiet_lines_show_life() {
    let service = Service::start_with(|config| {
        config.events.listeners = 1;
        config.events.keep_alive_s = 1;
    })
    .await;
    let mut reader = Reader::open(&service, "", None).await;
    reader.next().await.unwrap();
    let second = service.client.get(service.url("/v1/events")).send().await.unwrap();
    assert!(second.headers().contains_key("retry-after"));
    assert_eq!(second.json::<Problem>().await.unwrap().kind, "/problems/busy");
    tokio::time::sleep(Duration::from_millis(2_500)).await;
    service.submit(&path("tidepool", "heron", "v1"), &plan("heron")).await;
    assert_eq!(reader.event().await.id, 1);
    assert!(reader.comments >= 1, "{}", reader.comments);
    drop(reader);
    let mut tries = 0;
    loop {
        let again = service.client.get(service.url("/v1/events")).send().await.unwrap();
        if again.status() == StatusCode::OK {
            break;
        }
        tries += 1;
        assert!(tries < 100, "the place is given back");
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
}

/// Many write at once; a listener sees every event once, in the order of the ids.
#[tokio::test]
async fn nothing_is_lost_or_doubled_while_many_write() {
    let service = Service::start().await;
    let mut reader = Reader::open(&service, "", None).await;
    reader.next().await.unwrap();
    let mut tasks = tokio::task::JoinSet::new();
    for number in 0..30 {
        let name = format!("eel-{number}");
        let put = service.client.put(service.url(&path("tidepool", &name, "v1"))).json(&plan(&name));
        tasks.spawn(async move {
            loop {
                let status = put.try_clone().unwrap().send().await.unwrap().status();
                if status == StatusCode::CREATED {
                    return;
                }
                assert_eq!(status, StatusCode::SERVICE_UNAVAILABLE);
                tokio::time::sleep(Duration::from_millis(50)).await;
            }
        });
    }
    for id in 1..=30 {
        assert_eq!(reader.event().await.id, id);
    }
    tasks.join_all().await;
}
