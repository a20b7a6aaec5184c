//! OpenTelemetry spans, sent by OTLP (HTTP, protobuf) where the configuration names a collector; otherwise nothing is
//! made and nothing is sent. What a trace belongs to is the business of `trace.rs`.

use std::time::{Duration, SystemTime};

use async_trait::async_trait;
use axum::http::{HeaderValue, StatusCode};
use opentelemetry::trace::{
    Span as _, SpanBuilder, SpanContext, SpanId, SpanKind, Status, TraceContextExt as _, TraceFlags, TraceId,
    TraceState, Tracer as _, TracerProvider as _,
};
use opentelemetry::{Context, KeyValue};
use opentelemetry_http::{Bytes, HttpClient, HttpError, Request, Response};
use opentelemetry_otlp::{Protocol, SpanExporter, WithExportConfig as _, WithHttpConfig as _};
use opentelemetry_sdk::Resource;
use opentelemetry_sdk::trace::{Sampler, SdkTracer, SdkTracerProvider, Span};
use tokio::runtime::Handle;

use crate::config::Traces;
use crate::telemetry::Timing;
use crate::trace::Trace;

/// Time that a collector has to take a batch.
const TIMEOUT: Duration = Duration::from_secs(10);
/// Bytes of a collector's answer that are read.
const MOST_READ: usize = 64 << 10;

/// What makes spans; of no effect where no collector is named. Cheap to clone.
#[derive(Debug, Clone, Default)]
pub struct Spans(Option<(SdkTracerProvider, SdkTracer)>);

/// A span that is not over.
pub(crate) struct Open {
    span: Span,
    tracer: SdkTracer,
}

impl Spans {
    /// By the configuration; on a runtime. The error says what is wrong with the collector's URL.
    pub fn new(settings: &Traces) -> Result<Self, String> {
        if settings.otlp_endpoint.is_empty() {
            return Ok(Self::default());
        }
        let broken = |error: &dyn std::fmt::Display| format!("traces.otlp_endpoint: {error}");
        let _ = rustls::crypto::ring::default_provider().install_default();
        let client = reqwest::Client::builder()
            .no_proxy()
            .redirect(reqwest::redirect::Policy::none())
            .timeout(TIMEOUT)
            .build()
            .map_err(|error| broken(&error))?;
        let handle = Handle::try_current().map_err(|error| broken(&error))?;
        let exporter = SpanExporter::builder()
            .with_http()
            .with_http_client(Sender { client, handle })
            .with_protocol(Protocol::HttpBinary)
            .with_endpoint(&settings.otlp_endpoint)
            .with_timeout(TIMEOUT)
            .build()
            .map_err(|error| broken(&error))?;
        let share = f64::from(settings.sample_percent) / 100.0;
        let resource = Resource::builder_empty()
            .with_service_name("condyle")
            .with_attribute(KeyValue::new("service.version", env!("CARGO_PKG_VERSION")))
            .build();
        let provider = SdkTracerProvider::builder()
            .with_batch_exporter(exporter)
            // Who called decides for his trace; for those that begin here the share does.
            .with_sampler(Sampler::ParentBased(Box::new(Sampler::TraceIdRatioBased(share))))
            .with_resource(resource)
            .build();
        let tracer = provider.tracer("condyle");
        Ok(Self(Some((provider, tracer))))
    }

    /// Begins the span of a request, and gives the trace the ids that are sent.
    pub(crate) fn request(&self, trace: &mut Trace, method: &str, route: &str) -> Option<Open> {
        let (_, tracer) = self.0.as_ref()?;
        let attributes = vec![
            KeyValue::new("http.request.method", method.to_owned()),
            KeyValue::new("http.route", route.to_owned()),
        ];
        let builder = SpanBuilder::from_name(format!("{method} {route}"))
            .with_kind(SpanKind::Server)
            .with_attributes(attributes);
        let span = tracer.build_with_context(builder, &parent(trace));
        let context = span.span_context();
        trace.goes_on(&context.trace_id().to_string(), &context.span_id().to_string(), context.is_sampled());
        Some(Open { span, tracer: tracer.clone() })
    }

    /// Begins the span of a request that this service makes: a trace of its own, whose `traceparent` goes along.
    pub(crate) fn call(&self, name: &'static str) -> Option<Open> {
        let (_, tracer) = self.0.as_ref()?;
        let builder = SpanBuilder::from_name(name)
            .with_kind(SpanKind::Client)
            .with_attributes(vec![KeyValue::new("http.request.method", "POST")]);
        Some(Open { span: tracer.build_with_context(builder, &Context::new()), tracer: tracer.clone() })
    }

    /// Begins the span of a job, below the request that left it to be done where that is known.
    pub(crate) fn job(
        &self,
        kind: &'static str,
        asked: Option<&str>,
        id: &str,
        attempt: u64,
    ) -> Option<Open> {
        let (_, tracer) = self.0.as_ref()?;
        let above = asked.and_then(Trace::below).map_or_else(Context::new, |trace| parent(&trace));
        let builder = SpanBuilder::from_name(format!("job {kind}"))
            .with_kind(SpanKind::Consumer)
            .with_attributes(vec![
                KeyValue::new("condyle.job.id", id.to_owned()),
                KeyValue::new("condyle.job.attempt", i64::try_from(attempt).unwrap_or(i64::MAX)),
            ]);
        Some(Open { span: tracer.build_with_context(builder, &above), tracer: tracer.clone() })
    }

    /// Sends what was not sent yet.
    pub async fn flush(&self) {
        self.with(|provider| {
            let _ = provider.force_flush();
        })
        .await;
    }

    /// Sends what was not sent yet, and ends.
    pub async fn close(&self) {
        self.with(|provider| {
            let _ = provider.shutdown_with_timeout(TIMEOUT);
        })
        .await;
    }

    /// The provider waits for its own thread, which waits for this runtime.
    async fn with(&self, work: impl FnOnce(&SdkTracerProvider) + Send + 'static) {
        if let Some((provider, _)) = self.0.clone() {
            let _ = tokio::task::spawn_blocking(move || work(&provider)).await;
        }
    }
}

impl Open {
    /// The header `traceparent` for a request that this span is of.
    pub(crate) fn traceparent(&self) -> Option<HeaderValue> {
        let context = self.span.span_context();
        let (trace, span) = (context.trace_id(), context.span_id());
        HeaderValue::from_str(&format!("00-{trace}-{span}-0{}", u8::from(context.is_sampled()))).ok()
    }

    /// Ends the span of a job; what went wrong is its status.
    pub(crate) fn over(mut self, problem: Option<&str>) {
        if let Some(problem) = problem {
            self.span.set_status(Status::error(problem.to_owned()));
        }
        self.span.end();
    }

    /// What reading and checking took, until now, become spans below it.
    pub(crate) fn parts(&self, timing: Timing) {
        let now = SystemTime::now();
        let checked = now.checked_sub(timing.checks).unwrap_or(now);
        let read = checked.checked_sub(timing.read).unwrap_or(checked);
        let below = Context::new().with_remote_span_context(self.span.span_context().clone());
        for (name, from, to) in [("read", read, checked), ("checks", checked, now)] {
            let builder = SpanBuilder::from_name(name).with_kind(SpanKind::Internal).with_start_time(from);
            self.tracer.build_with_context(builder, &below).end_with_timestamp(to);
        }
    }

    /// Ends it with the status of the answer, where there was one; what its parts took become spans below it.
    pub(crate) fn end(mut self, status: Option<u16>, timing: Option<Timing>) {
        let now = SystemTime::now();
        if let Some(timing) = timing {
            self.parts(timing);
        }
        match status {
            Some(status) => {
                self.span.set_attribute(KeyValue::new("http.response.status_code", i64::from(status)));
                // A caller's mistake is no error of the one who was called (semantic conventions for HTTP).
                if status >= 500 {
                    self.span.set_status(Status::error(""));
                }
            }
            None => self.span.set_status(Status::error("no answer")),
        }
        self.span.end_with_timestamp(now);
    }
}

/// What a request's span stands below.
fn parent(trace: &Trace) -> Context {
    let ids = || {
        let (id, span) = (&trace.id, trace.parent.as_ref()?);
        Some((TraceId::from_hex(id).ok()?, SpanId::from_hex(span).ok()?))
    };
    let Some((id, span)) = ids() else { return Context::new() };
    let flags = if trace.sampled() { TraceFlags::SAMPLED } else { TraceFlags::NOT_SAMPLED };
    Context::new().with_remote_span_context(SpanContext::new(id, span, flags, true, TraceState::NONE))
}

/// Sends batches on this service's runtime: the thread that asks for it has none.
#[derive(Debug)]
struct Sender {
    client: reqwest::Client,
    handle: Handle,
}

#[async_trait]
impl HttpClient for Sender {
    async fn send_bytes(&self, request: Request<Bytes>) -> Result<Response<Bytes>, HttpError> {
        let sent = self.handle.spawn(send(self.client.clone(), request)).await;
        let sent = sent.map_err(HttpError::from).and_then(|sent| sent);
        let failed = match &sent {
            Ok(response) if response.status().is_success() => None,
            Ok(response) => Some(format!("the collector answered {}", response.status().as_u16())),
            Err(error) => Some(error.to_string()),
        };
        if let Some(error) = failed {
            metrics::counter!("condyle_spans_unsent_total").increment(1);
            tracing::warn!(error, "spans were not sent");
        }
        sent
    }
}

async fn send(client: reqwest::Client, request: Request<Bytes>) -> Result<Response<Bytes>, HttpError> {
    let (parts, body) = request.into_parts();
    let mut answer = client.post(parts.uri.to_string()).headers(parts.headers).body(body).send().await?;
    let mut read = Vec::new();
    while read.len() < MOST_READ
        && let Some(chunk) = answer.chunk().await?
    {
        read.extend_from_slice(&chunk);
    }
    let mut response = Response::new(Bytes::from(read));
    *response.status_mut() = StatusCode::from_u16(answer.status().as_u16())?;
    *response.headers_mut() = answer.headers().clone();
    Ok(response)
}
