//! `POST /v1/checks`.

use axum::extract::{OriginalUri, State};
use axum::http::{HeaderMap, HeaderValue, Method, header};
use axum::response::{IntoResponse as _, Response};
use condyle_api::{Job, Problem};
use condyle_core::report::Report;

use super::most_wait_s;
use crate::access::{May, Submit};
use crate::app::check::{Options, check};
use crate::app::offer::{Accepted, Work, offer};
use crate::problem::ApiError;
use crate::routes::jobs::patient;
use crate::routes::jobs::report::Found;
use crate::routes::negotiate::{AppQuery, Form};
use crate::routes::once::{Asked, once};
use crate::routes::prefer::Prefer;
use crate::routes::shown::Shown;
use crate::state::App;
use crate::submission::Submission;

/// Check a rig: a GLB, a glTF, a plan, or a multipart body of them.
///
/// A rig full of errors is a 200: the report is the answer. The same bytes, profile, catalogue and `as_of` give the
/// same report, byte for byte.
#[utoipa::path(
    post, path = "/v1/checks", tag = "checks", operation_id = "checkRig", security((), ("token" = ["submit"])),
    params(Options,
           ("Prefer" = Option<String>, Header, description = "`respond-async`: 202 with the Location of a job at once; `wait=N`: the report if it comes within N seconds, else 202 (RFC 7240)"),
           ("Idempotency-Key" = Option<String>, Header, description = "The same request with the same key gets the same answer again, for a day unless configured")),
    request_body(description = "A GLB or VRM, a glTF JSON, a plan, or multipart parts model, plan, file, profile, waivers, reference",
        content((crate::bodies::Binary = "model/gltf-binary"), (crate::bodies::GltfDocument = "model/gltf+json"), (condyle_core::intake::plan::Plan = "application/json"), (crate::bodies::RigForm = "multipart/form-data"))),
    responses(
        (status = 200, description = "The report", content((Report = "application/json"), (String = "text/plain"), (String = "application/sarif+json"), (String = "application/xml"), (String = "text/markdown"), (String = "text/html"), (String = "application/x-ndjson"), (String = "text/vnd.condyle.annotations"), (String = "application/vnd.condyle.code-quality+json"))),
        (status = 202, description = "Queued, durably; Location is its job, Preference-Applied what was applied", body = Job),
        (status = 400, description = "The file cannot be parsed, or the request is malformed", body = Problem, content_type = "application/problem+json"),
        (status = 406, description = "No accepted media type can be made", body = Problem, content_type = "application/problem+json"),
        (status = 408, description = "The body did not arrive in time", body = Problem, content_type = "application/problem+json"),
        (status = 409, description = "A request with the same Idempotency-Key is being answered", body = Problem, content_type = "application/problem+json"),
        (status = 413, description = "Too large, or over a limit", body = Problem, content_type = "application/problem+json"),
        (status = 415, description = "Not a format that is read", body = Problem, content_type = "application/problem+json"),
        (status = 422, description = "The document builds no rig, or the Idempotency-Key came with another request", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "Busy; Retry-After says when to come again", body = Problem, content_type = "application/problem+json"),
        (status = 507, description = "It was to be a job, and the disk is full", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn post(
    State(app): State<App>,
    may: May<Submit>,
    AppQuery(options): AppQuery<Options>,
    method: Method,
    OriginalUri(uri): OriginalUri,
    headers: HeaderMap,
    submission: Submission,
) -> Result<Response, ApiError> {
    respond(
        &app,
        options,
        Asked { method: &method, uri: &uri, headers: &headers, caller: &may.caller },
        submission,
    )
    .await
}

/// Checks, now or as a job, and answers in the form that was asked for.
pub async fn respond(
    app: &App,
    options: Options,
    asked: Asked<'_>,
    submission: Submission,
) -> Result<Response, ApiError> {
    let form = Form::of(asked.headers)?;
    let prefer = Prefer::of(asked.headers, most_wait_s(app));
    let keyed = asked.has_key();
    let token = asked.caller.id().map(str::to_owned);
    once(app, asked, submission, |submission, id| async {
        if prefer.is_job() {
            return later(app, submission, options, (id, token), prefer, form, keyed).await;
        }
        let text = if form.reads_text() { submission.text() } else { None };
        let checked = check(app, submission, options, form.drawing()).await?;
        let timing = checked.timing;
        let body = match form {
            Form::Json => checked.json,
            other => {
                let mut shown = Shown::new(checked.report);
                (shown.source, shown.figure) = (text, checked.figure);
                shown.render(other).await?
            }
        };
        let mut response = answer(form, body);
        response.extensions_mut().insert(timing);
        Ok(response)
    })
    .await
}

/// Queues it, and answers by the report if it is there in time.
async fn later(
    app: &App,
    submission: Submission,
    options: Options,
    (id, token): (String, Option<String>),
    prefer: Prefer,
    form: Form,
    keyed: bool,
) -> Result<Response, ApiError> {
    let Accepted::Job(id) = offer(app, submission, options, Work::Check, id, token).await? else {
        return Err(ApiError::Internal("a check without a target was kept".into()));
    };
    match patient(app, id, prefer, keyed).await? {
        Err(response) => Ok(response),
        Ok(id) => {
            let body = Found::look(app, &id, form).await?.render(app).await?;
            let mut response = answer(form, body);
            prefer.applied(&mut response, true);
            Ok(response)
        }
    }
}

fn answer(form: Form, body: String) -> Response {
    let kind = HeaderValue::from_static(form.content_type());
    let mut response = ([(header::CONTENT_TYPE, kind)], body).into_response();
    response.headers_mut().insert(header::VARY, HeaderValue::from_static("accept, accept-encoding"));
    response
}
