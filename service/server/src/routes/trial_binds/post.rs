//! `POST /v1/trial-binds`.

use axum::extract::{OriginalUri, State};
use axum::http::{HeaderMap, HeaderValue, Method, header};
use axum::response::{IntoResponse as _, Response};
use condyle_api::{Job, Problem, TrialBind};

use crate::access::{May, Submit};
use crate::app::offer::{Accepted, Work, offer};
use crate::app::trial_bind::{BindOptions, Wanted, bindable, trial_bind};
use crate::problem::ApiError;
use crate::routes::checks::most_wait_s;
use crate::routes::jobs::patient;
use crate::routes::negotiate::{AppQuery, wishes};
use crate::routes::once::{Asked, once};
use crate::routes::prefer::Prefer;
use crate::state::App;
use crate::submission::Submission;

/// Bind a plan to its body on trial: the weights it would get, and what would go wrong.
///
/// Multipart parts `plan` and `model`; or a model alone, as multipart or as the whole body, that has a skeleton of its own: the
/// joints of its skins, or without one the nodes that are plainly joints. That skeleton is read as a plan, which comes back
/// as `plan` for patches to go into. As `model/gltf-binary` the body comes back bound, with joints, skin, bind matrices and
/// weights (four to a set) and everything else as it was (a glTF JSON stays one); with `colours=winners` its vertices have the
/// colour of their strongest joint, and `extras.condyle.colours` of the skin the colour of each joint. As `image/svg+xml` it is a
/// drawing of which joint wins where. A skin of more than 600,000 points is bound by a smaller mesh, and
/// `bind.reduced` says how far that lies from the whole. `Prefer` is for reports: a model and a drawing are answered at once.
#[utoipa::path(
    post, path = "/v1/trial-binds", tag = "checks", operation_id = "bindOnTrial", security((), ("token" = ["submit"])),
    params(BindOptions,
           ("Prefer" = Option<String>, Header, description = "`respond-async`: 202 with the Location of a job at once; `wait=N`: the answer if it comes within N seconds, else 202 (RFC 7240)"),
           ("Idempotency-Key" = Option<String>, Header, description = "The same request with the same key gets the same answer again, for a day unless configured")),
    request_body(description = "Multipart parts plan, model, file, profile, waivers; or a GLB or glTF JSON with a skeleton",
        content((crate::bodies::BindForm = "multipart/form-data"), (crate::bodies::Binary = "model/gltf-binary"), (crate::bodies::GltfDocument = "model/gltf+json"))),
    responses(
        (status = 200, description = "The findings and the weights in numbers, the bound model, or the drawing", content((TrialBind = "application/json"), (crate::bodies::Binary = "model/gltf-binary"), (String = "image/svg+xml"))),
        (status = 202, description = "Queued, durably; Location is its job, Preference-Applied what was applied", body = Job),
        (status = 400, description = "A part is missing, the file cannot be parsed, or the model cannot be bound", body = Problem, content_type = "application/problem+json"),
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
    AppQuery(options): AppQuery<BindOptions>,
    method: Method,
    OriginalUri(uri): OriginalUri,
    headers: HeaderMap,
    submission: Submission,
) -> Result<Response, ApiError> {
    let (drawing, colours) = options.looks()?;
    let wish = |kind, subtype| wishes(&headers, kind, subtype);
    let (json, model, svg) =
        (wish("application", "json"), wish("model", "gltf-binary"), wish("image", "svg+xml"));
    let wanted = if model > json && model >= svg {
        Wanted::Model(colours)
    } else if svg > json {
        Wanted::Figure(drawing)
    } else if json > 0.0 {
        Wanted::Report
    } else {
        return Err(ApiError::NotAcceptable);
    };
    bindable(&submission)?;
    if wanted != Wanted::Report {
        let kind = wanted.clone();
        return Ok(answer(trial_bind(&app, submission, options, wanted).await?, &kind));
    }
    let prefer = Prefer::of(&headers, most_wait_s(&app));
    let asked = Asked { method: &method, uri: &uri, headers: &headers, caller: &may.caller };
    let (keyed, token) = (asked.has_key(), asked.caller.id().map(str::to_owned));
    once(&app, asked, submission, |submission, id| async {
        if !prefer.is_job() {
            return Ok(answer(trial_bind(&app, submission, options, wanted).await?, &Wanted::Report));
        }
        let (options, influences) = options.judged();
        let work = Work::Bind(influences);
        let Accepted::Job(id) = offer(&app, submission, options, work, id, token).await? else {
            return Err(ApiError::Internal("a trial bind was kept".into()));
        };
        match patient(&app, id, prefer, keyed).await? {
            Err(response) => Ok(response),
            Ok(id) => {
                let body = crate::app::jobs::trial_bind(&app, &id).await?.into_bytes();
                let mut response = written(body, "application/json");
                prefer.applied(&mut response, true);
                Ok(response)
            }
        }
    })
    .await
}

fn answer(made: crate::app::trial_bind::Answer, wanted: &Wanted) -> Response {
    let kind = match wanted {
        Wanted::Report => "application/json",
        Wanted::Figure(_) => "image/svg+xml",
        Wanted::Model(_) if made.body.starts_with(b"glTF") => "model/gltf-binary",
        Wanted::Model(_) => "model/gltf+json",
    };
    let mut response = written(made.body, kind);
    response.extensions_mut().insert(made.timing);
    if matches!(wanted, Wanted::Figure(_)) { crate::routes::figures::guarded(response) } else { response }
}

fn written(body: Vec<u8>, kind: &'static str) -> Response {
    let mut response = ([(header::CONTENT_TYPE, HeaderValue::from_static(kind))], body).into_response();
    response.headers_mut().insert(header::VARY, HeaderValue::from_static("accept, accept-encoding"));
    response
}
