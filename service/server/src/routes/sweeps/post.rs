//! `POST /v1/sweeps`.

use axum::extract::{OriginalUri, State};
use axum::http::{HeaderMap, HeaderValue, Method, header};
use axum::response::{IntoResponse as _, Response};
use condyle_api::{Job, Priority, Problem};
use condyle_core::report::{FailOn, Report};
use jiff::civil::Date;
use serde::Deserialize;
use utoipa::IntoParams;

use crate::access::{May, Submit};
use crate::app::check::Options;
use crate::app::sweep::posed;
use crate::problem::ApiError;
use crate::routes::checks::post::respond;
use crate::routes::negotiate::{AppQuery, wishes};
use crate::routes::once::Asked;
use crate::state::App;
use crate::submission::Submission;

/// How a sweep is to be judged.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct SweepOptions {
    /// A built-in or a stored profile; unless said, the one that the file asks for, else `realtime`.
    pub profile: Option<String>,
    /// The version of the catalogue to be judged by; the newest unless said.
    pub catalogue: Option<String>,
    /// Not these checks, separated by commas.
    pub skip: Option<String>,
    /// Whether the poses of the asset's own clips are measured, too: the worst moment of each, by measure.
    pub clips: Option<bool>,
    /// What closes the gate.
    pub fail_on: Option<FailOn>,
    /// The date that waivers are judged by (UTC); today unless said.
    #[param(value_type = Option<String>, format = Date)]
    pub as_of: Option<Date>,
    /// Where `Prefer` makes it a job: `gate` (unless said) goes before `bulk`.
    #[param(inline)]
    pub priority: Option<Priority>,
}

/// Bend everything: turn each joint of a bound model alone, and measure what the skin does.
///
/// The answer is a report, as of `POST /v1/checks`, of the checks of the family `sweep` alone. As `model/gltf-binary` it is the
/// model with one clip more, that stands at bind at every even second and in the worst pose of one joint at every odd one
/// (a glTF JSON stays one); what each pose is stands in the clip's `extras.condyle.poses`. `Prefer` is for reports: a model is
/// answered at once.
#[utoipa::path(
    post, path = "/v1/sweeps", tag = "checks", operation_id = "sweepRig", security((), ("token" = ["submit"])),
    params(SweepOptions,
           ("Prefer" = Option<String>, Header, description = "`respond-async`: 202 with the Location of a job at once; `wait=N`: the report if it comes within N seconds, else 202 (RFC 7240)"),
           ("Idempotency-Key" = Option<String>, Header, description = "The same request with the same key gets the same answer again, for a day unless configured")),
    request_body(description = "A GLB or VRM, a glTF JSON, or multipart parts model, plan, file, profile, waivers, reference",
        content((crate::bodies::Binary = "model/gltf-binary"), (crate::bodies::GltfDocument = "model/gltf+json"), (condyle_core::intake::plan::Plan = "application/json"), (crate::bodies::RigForm = "multipart/form-data"))),
    responses(
        (status = 200, description = "The report, or the model with its worst poses", content((Report = "application/json"), (String = "text/plain"), (String = "application/sarif+json"), (String = "application/xml"), (String = "text/markdown"), (String = "text/html"), (String = "application/x-ndjson"), (String = "text/vnd.condyle.annotations"), (String = "application/vnd.condyle.code-quality+json"), (Vec<u8> = "model/gltf-binary"))),
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
    AppQuery(options): AppQuery<SweepOptions>,
    method: Method,
    OriginalUri(uri): OriginalUri,
    headers: HeaderMap,
    submission: Submission,
) -> Result<Response, ApiError> {
    let SweepOptions { profile, catalogue, skip, clips, fail_on, as_of, priority } = options;
    let only = Some("sweep".to_owned());
    let options =
        Options { profile, catalogue, only, skip, sweep: Some(true), clips, fail_on, as_of, priority };
    if wants_model(&headers) {
        let posed = posed(&app, submission, options).await?;
        let kind = if posed.body.starts_with(b"glTF") { "model/gltf-binary" } else { "model/gltf+json" };
        let kind = [(header::CONTENT_TYPE, HeaderValue::from_static(kind))];
        let mut response = (kind, posed.body).into_response();
        response.headers_mut().insert(header::VARY, HeaderValue::from_static("accept, accept-encoding"));
        response.extensions_mut().insert(posed.timing);
        return Ok(response);
    }
    respond(
        &app,
        options,
        Asked { method: &method, uri: &uri, headers: &headers, caller: &may.caller },
        submission,
    )
    .await
}

/// Whether `Accept` likes a model more than any form of the report.
fn wants_model(headers: &HeaderMap) -> bool {
    let model = wishes(headers, "model", "gltf-binary");
    let reports = [
        ("application", "json"),
        ("text", "plain"),
        ("application", "sarif+json"),
        ("application", "xml"),
        ("application", "junit+xml"),
        ("text", "markdown"),
        ("text", "html"),
    ];
    reports.iter().all(|(kind, form)| model > wishes(headers, kind, form))
}
