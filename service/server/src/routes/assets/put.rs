//! `PUT /v1/assets/{production}/{asset}/revisions/{label}`.

use axum::Json;
use axum::extract::{OriginalUri, State};
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use axum::response::{IntoResponse as _, Response};
use condyle_api::{Job, Problem, Revision};

use crate::access::{May, Submit};
use crate::app::check::Options;
use crate::app::offer::{Accepted, Work, offer};
use crate::app::submit::{Address, Expectation, submit, tag};
use crate::problem::ApiError;
use crate::queue::Outcome;
use crate::routes::checks::most_wait_s;
use crate::routes::jobs::{in_time, otherwise};
use crate::routes::negotiate::{AppPath, AppQuery, list};
use crate::routes::once::{Asked, once};
use crate::routes::prefer::Prefer;
use crate::state::App;
use crate::submission::Submission;

/// Submit a revision: checked, stored and acknowledged in one call.
///
/// The same bytes again are a no-op (200), whatever else the request says; other bytes under the same label are 409.
/// With `If-Match` naming the revision's ETag the revision is replaced (and judged anew, even for the same bytes);
/// `If-None-Match: *` never replaces. What is acknowledged, as a revision or as a job, survives a crash.
#[utoipa::path(
    put, path = "/v1/assets/{production}/{asset}/revisions/{label}", tag = "assets", operation_id = "submitRevision", security((), ("token" = ["submit"])),
    params(("production" = String, Path, description = "The show"), ("asset" = String, Path, description = "The asset"),
           ("label" = String, Path, description = "The submitter's label"),
           ("If-Match" = Option<String>, Header, description = "Tags of the revision to replace, or `*`"),
           ("If-None-Match" = Option<String>, Header, description = "`*`: never replace"),
           ("Prefer" = Option<String>, Header, description = "`respond-async`: 202 with the Location of a job at once; `wait=N`: the answer if it comes within N seconds, else 202 (RFC 7240)"),
           ("Idempotency-Key" = Option<String>, Header, description = "The same request with the same key gets the same answer again, for a day unless configured"), Options),
    request_body(description = "As for POST /v1/checks",
        content((crate::bodies::Binary = "model/gltf-binary"), (crate::bodies::GltfDocument = "model/gltf+json"), (condyle_core::intake::plan::Plan = "application/json"), (crate::bodies::RigForm = "multipart/form-data"))),
    responses(
        (status = 200, description = "These bytes were already there", body = Revision),
        (status = 201, description = "Stored", body = Revision),
        (status = 202, description = "Queued, durably; Location is its job, Preference-Applied what was applied", body = Job),
        (status = 400, description = "The file cannot be parsed, or the request is malformed", body = Problem, content_type = "application/problem+json"),
        (status = 409, description = "The label holds other bytes, or a job is on its way to it with other bytes; or a request with the same Idempotency-Key is being answered", body = Problem, content_type = "application/problem+json"),
        (status = 408, description = "The body did not arrive in time", body = Problem, content_type = "application/problem+json"),
        (status = 412, description = "If-Match or If-None-Match does not hold", body = Problem, content_type = "application/problem+json"),
        (status = 413, description = "Too large, or over a limit", body = Problem, content_type = "application/problem+json"),
        (status = 415, description = "Not a format that is read", body = Problem, content_type = "application/problem+json"),
        (status = 422, description = "The document builds no rig, or names another asset; or the Idempotency-Key came with another request", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "Busy, or the store cannot be used", body = Problem, content_type = "application/problem+json"),
        (status = 507, description = "The disk is full; nothing was acknowledged", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn put(
    State(app): State<App>,
    may: May<Submit>,
    AppPath((production, asset, label)): AppPath<(String, String, String)>,
    AppQuery(options): AppQuery<Options>,
    (method, OriginalUri(uri)): (Method, OriginalUri),
    headers: HeaderMap,
    submission: Submission,
) -> Result<Response, ApiError> {
    let address = Address::checked(production, asset, label)?;
    let expected = Expectation {
        matches: headers.contains_key(header::IF_MATCH).then(|| list(&headers, &header::IF_MATCH)),
        must_be_new: list(&headers, &header::IF_NONE_MATCH).trim() == "*",
    };
    let prefer = Prefer::of(&headers, most_wait_s(&app));
    let token = may.caller.id().map(str::to_owned);
    let asked = Asked { method: &method, uri: &uri, headers: &headers, caller: &may.caller };
    once(&app, asked, submission, |submission, id| async {
        if prefer.is_job() {
            return later(&app, submission, options, (address, expected), (id, token), prefer).await;
        }
        let done = submit(&app, address, submission, options, expected).await?;
        let mut response = answer(done.revision, done.created);
        response.extensions_mut().insert(done.timing);
        Ok(response)
    })
    .await
}

/// Queues it, and answers by the revision if it is there in time.
async fn later(
    app: &App,
    submission: Submission,
    options: Options,
    target: (Address, Expectation),
    (id, token): (String, Option<String>),
    prefer: Prefer,
) -> Result<Response, ApiError> {
    let at = target.0.clone();
    let (revision, created) =
        match offer(app, submission, options, Work::Submit(target.0, target.1), id, token).await? {
            Accepted::Kept(revision) => (*revision, false),
            Accepted::Job(id) => match otherwise(in_time(app, &id, prefer).await?, prefer) {
                Err(response) => return Ok(response),
                Ok(found) => {
                    let there = app.store.revision(&at.production, &at.asset, &at.label).await?;
                    // Deleted meanwhile.
                    let there = there.ok_or_else(|| super::missing(&at))?;
                    (there, found.outcome == Some(Outcome::Created))
                }
            },
        };
    let mut response = answer(revision, created);
    prefer.applied(&mut response, true);
    Ok(response)
}

fn answer(revision: Revision, created: bool) -> Response {
    let status = if created { StatusCode::CREATED } else { StatusCode::OK };
    let tag = tag(&revision);
    let location = revision.report_url.trim_end_matches("/report").to_owned();
    let mut response = (status, Json(revision)).into_response();
    for (name, value) in [(header::ETAG, tag), (header::LOCATION, location)] {
        if let Ok(value) = HeaderValue::from_str(&value) {
            response.headers_mut().insert(name, value);
        }
    }
    response
}
