//! Spans by OTLP, read with the protocol's own definitions (opentelemetry-proto).

use std::sync::{Arc, Mutex};

use axum::body::Bytes;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use condyle_server::webhooks::courier::round;
use condyle_tests::{Service, plan};
use opentelemetry_proto::tonic::collector::trace::v1::{
    ExportTraceServiceRequest, ExportTraceServiceResponse,
};
use opentelemetry_proto::tonic::common::v1::{KeyValue, any_value::Value as Attribute};
use opentelemetry_proto::tonic::trace::v1::Span;
use prost::Message as _;
use serde_json::{Value, json};

#[derive(Clone, Default)]
struct Collector {
    spans: Arc<Mutex<Vec<Span>>>,
    resources: Arc<Mutex<Vec<KeyValue>>>,
    hooks: Arc<Mutex<Vec<HeaderMap>>>,
}

impl Collector {
    async fn start() -> (Self, String) {
        let collector = Self::default();
        let listener = tokio::net::TcpListener::bind(("127.0.0.1", 0)).await.unwrap();
        let base = format!("http://{}", listener.local_addr().unwrap());
        let router = axum::Router::new()
            .route("/v1/traces", axum::routing::post(take))
            .route("/hook", axum::routing::post(hook))
            .with_state(collector.clone());
        tokio::spawn(async move { axum::serve(listener, router).await });
        (collector, base)
    }

    fn named(&self, name: &str) -> Vec<Span> {
        self.spans.lock().unwrap().iter().filter(|span| span.name == name).cloned().collect()
    }
}

async fn take(State(collector): State<Collector>, headers: HeaderMap, body: Bytes) -> Vec<u8> {
    assert_eq!(headers["content-type"], "application/x-protobuf");
    for group in ExportTraceServiceRequest::decode(body).unwrap().resource_spans {
        collector.resources.lock().unwrap().extend(group.resource.unwrap().attributes);
        for scope in group.scope_spans {
            collector.spans.lock().unwrap().extend(scope.spans);
        }
    }
    ExportTraceServiceResponse::default().encode_to_vec()
}

async fn hook(State(collector): State<Collector>, headers: HeaderMap) -> StatusCode {
    collector.hooks.lock().unwrap().push(headers);
    StatusCode::NO_CONTENT
}

fn value(attributes: &[KeyValue], key: &str) -> Option<Attribute> {
    attributes.iter().find(|one| one.key == key)?.value.clone()?.value
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// The header is the example of W3C Trace Context, §3.2.3.
#[tokio::test]
async fn requests_become_spans_of_the_callers_trace() {
    let (collector, base) = Collector::start().await;
    let (service, app) =
        Service::open(|config| config.traces.otlp_endpoint = format!("{base}/v1/traces")).await;
    let trace = "4bf92f3577b34da6a3ce929d0e0e4736";
    let post = |sampled: &str| {
        let parent = format!("00-{trace}-00f067aa0ba902b7-{sampled}");
        service
            .client
            .post(service.url("/v1/checks"))
            .header("traceparent", parent)
            .json(&plan("heron"))
            .send()
    };
    let answer = post("01").await.unwrap();
    let told = answer.headers()["traceresponse"].to_str().unwrap().to_owned();
    post("00").await.unwrap();
    service.client.get(service.url("/nowhere")).send().await.unwrap();
    app.spans.flush().await;
    let spans = collector.named("POST /v1/checks");
    assert_eq!(spans.len(), 1, "what the caller does not sample is not sent");
    let span = &spans[0];
    assert_eq!(
        (hex(&span.trace_id).as_str(), hex(&span.parent_span_id).as_str()),
        (trace, "00f067aa0ba902b7")
    );
    assert_eq!(told, format!("00-{trace}-{}-01", hex(&span.span_id)));
    assert_eq!(span.kind, 2, "a server's");
    assert_eq!(value(&span.attributes, "http.request.method"), Some(Attribute::StringValue("POST".into())));
    assert_eq!(value(&span.attributes, "http.route"), Some(Attribute::StringValue("/v1/checks".into())));
    assert_eq!(value(&span.attributes, "http.response.status_code"), Some(Attribute::IntValue(200)));
    for part in ["read", "checks"] {
        let below = collector.named(part);
        assert_eq!(below.len(), 1);
        assert_eq!((&below[0].parent_span_id, &below[0].trace_id), (&span.span_id, &span.trace_id), "{part}");
        assert!(below[0].start_time_unix_nano <= below[0].end_time_unix_nano);
    }
    // Without a trace one begins here, and it is sent.
    let lost = collector.named("GET other");
    assert_eq!(lost.len(), 1);
    assert!(lost[0].parent_span_id.is_empty());
    assert_eq!(value(&lost[0].attributes, "http.response.status_code"), Some(Attribute::IntValue(404)));
    let resources = collector.resources.lock().unwrap().clone();
    assert_eq!(value(&resources, "service.name"), Some(Attribute::StringValue("condyle".into())));
}

async fn until_done(service: &Service, place: &str) {
    while service.json::<Value>(place).await["state"] != "done" {
        tokio::time::sleep(std::time::Duration::from_millis(20)).await;
    }
}

/// The header is the example of W3C Trace Context, §3.2.3.
#[tokio::test]
async fn a_job_is_a_span_below_the_request_that_left_it_to_be_done() {
    let (collector, base) = Collector::start().await;
    let (service, app) =
        Service::open(|config| config.traces.otlp_endpoint = format!("{base}/v1/traces")).await;
    let _workers = condyle_server::worker::start(&app);
    let trace = "4bf92f3577b34da6a3ce929d0e0e4736";
    let parent = format!("00-{trace}-00f067aa0ba902b7-01");
    let url = service.url("/v1/assets/tidepool/heron/revisions/v1");
    let put = service.client.put(&url).header("traceparent", &parent).header("prefer", "respond-async");
    let accepted = put.json(&plan("heron")).send().await.unwrap();
    assert_eq!(accepted.status(), StatusCode::ACCEPTED);
    let job = accepted.headers()["location"].to_str().unwrap().to_owned();
    until_done(&service, &job).await;
    let again = service.client.post(service.url("/v1/rechecks")).header("traceparent", &parent);
    let campaign: Value = again.json(&json!({})).send().await.unwrap().json().await.unwrap();
    let place = format!("/v1/rechecks/{}", campaign["id"].as_str().unwrap());
    until_done(&service, &place).await;
    // The span ends a moment after the job did.
    let mut found = [None, None];
    for _ in 0..100 {
        app.spans.flush().await;
        found = ["job submit", "job recheck"].map(|name| collector.named(name).pop());
        if found.iter().all(Option::is_some) {
            break;
        }
        tokio::time::sleep(std::time::Duration::from_millis(20)).await;
    }
    let [submit, recheck] = found.map(Option::unwrap);
    let asked = ["PUT /v1/assets/{production}/{asset}/revisions/{label}", "POST /v1/rechecks"];
    for (span, asked) in [&submit, &recheck].into_iter().zip(asked) {
        assert_eq!((hex(&span.trace_id).as_str(), span.kind), (trace, 5), "a consumer's");
        let above = collector.named(asked);
        assert_eq!((above.len(), &above[0].span_id), (1, &span.parent_span_id), "{asked}");
        assert_eq!(value(&span.attributes, "condyle.job.attempt"), Some(Attribute::IntValue(1)));
        let parts = collector.named("checks");
        assert_eq!(parts.iter().filter(|part| part.parent_span_id == span.span_id).count(), 1);
    }
    let id = value(&submit.attributes, "condyle.job.id");
    assert_eq!(id, Some(Attribute::StringValue(job.rsplit('/').next().unwrap().into())));
}

#[tokio::test]
async fn a_message_to_a_webhook_carries_its_trace() {
    let (collector, base) = Collector::start().await;
    let (service, app) = Service::open(|config| {
        config.traces.otlp_endpoint = format!("{base}/v1/traces");
        config.webhooks.hosts = vec!["127.0.0.1".into()];
        config.webhooks.networks = vec!["127.0.0.1".into()];
    })
    .await;
    let hook = service.client.post(service.url("/v1/webhooks")).json(&json!({"url": format!("{base}/hook")}));
    assert_eq!(hook.send().await.unwrap().status(), reqwest::StatusCode::CREATED);
    service.submit("/v1/assets/tidepool/heron/revisions/v1", &plan("heron")).await;
    assert_eq!(round(&app, condyle_server::clock::now_ms(), 0.0).await.unwrap(), 1);
    app.spans.flush().await;
    let spans = collector.named("webhook");
    assert_eq!((spans.len(), spans[0].kind), (1, 3), "a client's");
    let sent = collector.hooks.lock().unwrap()[0]["traceparent"].to_str().unwrap().to_owned();
    assert_eq!(sent, format!("00-{}-{}-01", hex(&spans[0].trace_id), hex(&spans[0].span_id)));
}

/// What was not sent when the service stops is sent then; a collector that is away disturbs nobody.
#[tokio::test]
async fn spans_are_sent_when_it_stops_and_a_missing_collector_disturbs_nobody() {
    let (collector, base) = Collector::start().await;
    let service =
        Service::start_with(|config| config.traces.otlp_endpoint = format!("{base}/v1/traces")).await;
    service.client.get(service.url("/healthz")).send().await.unwrap();
    service.stopped().await.unwrap();
    assert_eq!(collector.named("GET /healthz").len(), 1);
    let away = Service::start_with(|config| {
        config.traces.otlp_endpoint = "http://127.0.0.1:9/v1/traces".into();
    })
    .await;
    let answer = away.client.get(away.url("/healthz")).send().await.unwrap();
    assert_eq!(answer.status(), reqwest::StatusCode::OK);
    away.stopped().await.unwrap();
}
