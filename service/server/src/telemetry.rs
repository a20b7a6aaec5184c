//! Logs, metrics, request ids and `Server-Timing`; the one place where a response is seen as a whole.

use std::io::IsTerminal as _;
use std::sync::OnceLock;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use axum::extract::{MatchedPath, Request, State};
use axum::http::{HeaderName, HeaderValue, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse as _, Response};
use metrics_exporter_prometheus::{PrometheusBuilder, PrometheusHandle};

use crate::problem::ApiError;
use crate::state::App;
use crate::trace::{TRACERESPONSE, Trace, within};

const REQUEST_ID: HeaderName = HeaderName::from_static("x-request-id");
const SERVER_TIMING: HeaderName = HeaderName::from_static("server-timing");

/// How long the parts of a request took; handlers put it among the response's extensions.
#[derive(Debug, Clone, Copy, Default)]
pub struct Timing {
    /// Reading the upload into a rig.
    pub read: Duration,
    /// Running the checks.
    pub checks: Duration,
}

/// The process's metrics, installed once.
pub fn metrics() -> PrometheusHandle {
    static HANDLE: OnceLock<PrometheusHandle> = OnceLock::new();
    HANDLE
        .get_or_init(|| {
            let recorder = PrometheusBuilder::new()
                .set_buckets(&[0.001, 0.005, 0.02, 0.1, 0.5, 2.0, 10.0, 60.0])
                .unwrap_or_else(|_| PrometheusBuilder::new())
                .build_recorder();
            let handle = recorder.handle();
            let _ = metrics::set_global_recorder(recorder);
            metrics::describe_counter!("condyle_requests_total", "Requests by route, method and status.");
            metrics::describe_histogram!(
                "condyle_request_duration_seconds",
                metrics::Unit::Seconds,
                "Time to the response by route."
            );
            metrics::describe_counter!("condyle_reports_total", "Reports made, by verdict.");
            metrics::describe_gauge!("condyle_pool_in_use", "Checks that run or wait.");
            metrics::describe_gauge!("condyle_listeners", "Listeners of GET /v1/events.");
            metrics::describe_counter!(
                "condyle_listeners_dropped_total",
                "Listeners that were cut off because they did not keep up."
            );
            metrics::describe_counter!(
                "condyle_unchanged_total",
                "Answers 304, by where they came from: memory or the store."
            );
            metrics::describe_counter!("condyle_refusals_total", "Refusals of access, by kind.");
            metrics::describe_counter!(
                "condyle_refusals_unlogged_total",
                "Refusals that the audit log had no room for."
            );
            metrics::describe_gauge!("condyle_assets", "Assets, by the verdict of their latest revision.");
            metrics::describe_counter!(
                "condyle_spans_unsent_total",
                "Batches of spans that the collector did not take."
            );
            metrics::describe_counter!(
                "condyle_rejudged_total",
                "Stored reports judged again because a waiver ended, by the verdict then."
            );
            metrics::describe_counter!(
                "condyle_webhook_attempts_total",
                "Attempts at messages to webhooks, by how they ended."
            );
            metrics::describe_gauge!(
                "condyle_webhook_deliveries",
                "Messages to webhooks, by where they stand."
            );
            metrics::describe_gauge!("condyle_webhooks", "Webhooks, by whether they are on.");
            metrics::describe_counter!(
                "condyle_webhooks_disabled_total",
                "Webhooks that were turned off because nothing arrived there."
            );
            metrics::describe_gauge!("condyle_store_up", "Whether the database answered this scrape.");
            metrics::describe_gauge!("condyle_upload_bytes", metrics::Unit::Bytes, "Uploads held in memory.");
            metrics::describe_histogram!(
                "condyle_step_duration_seconds",
                metrics::Unit::Seconds,
                "Time of reading an upload, and of checking it."
            );
            handle
        })
        .clone()
}

/// Starts logging; a second call does nothing.
pub fn logging(filter: &str, json: bool) {
    use tracing_subscriber::EnvFilter;
    let filter = EnvFilter::try_new(filter).unwrap_or_else(|_| EnvFilter::new("info"));
    let builder = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(std::io::stderr)
        .with_ansi(std::io::stderr().is_terminal())
        .with_target(false);
    let _ = if json { builder.json().try_init() } else { builder.compact().try_init() };
}

/// Around every request: id, time limit, timing, metrics, a log line, and a problem for every error.
pub async fn track(State(app): State<App>, request: Request, next: Next) -> Response {
    let begun = Instant::now();
    let id = request
        .headers()
        .get(&REQUEST_ID)
        .filter(|value| {
            value.len() <= 64 && value.as_bytes().iter().all(|b| b.is_ascii_alphanumeric() || *b == b'-')
        })
        .cloned()
        .unwrap_or_else(fresh_id);
    let mut trace = Trace::of(request.headers());
    let method = request.method().clone();
    // The route's pattern, never the path: labels stay few.
    let route =
        request.extensions().get::<MatchedPath>().map_or("other".to_owned(), |path| path.as_str().to_owned());
    let verb = match method.as_str() {
        "GET" | "HEAD" | "POST" | "PUT" | "DELETE" => method.as_str().to_owned(),
        _ => "other".to_owned(),
    };
    let span = app.spans.request(&mut trace, &verb, &route);
    // A whole production takes its time.
    let seconds = if route.ends_with("/archive") {
        app.config.archive.timeout_s
    } else {
        app.config.server.request_timeout_s
    };
    let limit = Duration::from_secs(seconds);
    let answer = async {
        match &span {
            Some(_) => within(&trace, next.run(request)).await,
            None => next.run(request).await,
        }
    };
    let mut response = match tokio::time::timeout(limit, answer).await {
        Ok(response) => as_problem(response),
        Err(_) => ApiError::Timeout.into_response(),
    };
    let total = begun.elapsed();
    let status = response.status().as_u16();
    let timing = response.extensions().get::<Timing>().copied();
    if let Some(span) = span {
        span.end(Some(status), timing);
    }
    let ms = |duration: Duration| duration.as_secs_f64() * 1e3;
    let mut text = format!("total;dur={:.3}", ms(total));
    if let Some(timing) = timing {
        text = format!("read;dur={:.3}, checks;dur={:.3}, {text}", ms(timing.read), ms(timing.checks));
    }
    let headers = response.headers_mut();
    if let Ok(value) = HeaderValue::from_str(&text) {
        headers.insert(SERVER_TIMING, value);
    }
    tracing::info!(id = id.to_str().unwrap_or(""), trace = trace.id, span = trace.span, parent = trace.parent.as_deref(), %method, route, status, ms = ms(total), "request");
    headers.insert(REQUEST_ID, id);
    if let Some(answer) = trace.answer() {
        headers.insert(TRACERESPONSE, answer);
    }
    headers.insert(header::X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    metrics::counter!("condyle_requests_total", "route" => route.clone(), "method" => verb, "status" => status.to_string())
        .increment(1);
    metrics::histogram!("condyle_request_duration_seconds", "route" => route).record(total.as_secs_f64());
    response
}

fn fresh_id() -> HeaderValue {
    static NEXT: AtomicU64 = AtomicU64::new(1);
    let text = format!("{:x}-{:x}", crate::clock::now_ms(), NEXT.fetch_add(1, Ordering::Relaxed));
    HeaderValue::from_str(&text).unwrap_or_else(|_| HeaderValue::from_static("none"))
}

/// What a layer refused in its own words is told in ours.
fn as_problem(response: Response) -> Response {
    let status = response.status();
    let told = response
        .headers()
        .get(header::CONTENT_TYPE)
        .is_some_and(|t| t.as_bytes().starts_with(b"application/problem"));
    // A page to sign in is for people.
    let told = told || response.extensions().get::<crate::access::ForPeople>().is_some();
    if told || !(status.is_client_error() || status.is_server_error()) {
        return response;
    }
    match status {
        StatusCode::NOT_FOUND => ApiError::not_found("such resource").into_response(),
        StatusCode::METHOD_NOT_ALLOWED => {
            let allow = response.headers().get(header::ALLOW).cloned();
            let mut problem = ApiError::MethodNotAllowed.into_response();
            if let Some(allow) = allow {
                problem.headers_mut().insert(header::ALLOW, allow);
            }
            problem
        }
        StatusCode::UNSUPPORTED_MEDIA_TYPE => {
            ApiError::UnsupportedMediaType("this encoding".into()).into_response()
        }
        status if status.is_client_error() => {
            ApiError::InvalidRequest(format!("refused with status {}", status.as_u16())).into_response()
        }
        status => ApiError::Internal(format!("a layer answered {}", status.as_u16())).into_response(),
    }
}
