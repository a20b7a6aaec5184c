//! `POST /v1/trial-binds`.

use axum::extract::State;
use axum::http::{HeaderMap, HeaderValue, header};
use axum::response::{IntoResponse as _, Response};
use condyle_api::{Problem, TrialBind};

use crate::access::{May, Submit};
use crate::app::check::Options;
use crate::app::trial_bind::{Wanted, trial_bind};
use crate::problem::ApiError;
use crate::routes::negotiate::{AppQuery, wishes};
use crate::state::App;
use crate::submission::Submission;

const MODEL: &str = "model/gltf-binary";

/// Bind a plan to its body on trial: the weights it would get, and what would go wrong.
///
/// Multipart parts `plan` and `model`. As `model/gltf-binary` the body comes back bound, with joints, skin, bind
/// matrices and weights added and everything else as it was (a glTF JSON stays one).
#[utoipa::path(
    post, path = "/v1/trial-binds", tag = "checks", operation_id = "bindOnTrial", security((), ("token" = ["submit"])), params(Options),
    request_body(description = "Multipart parts plan, model, file, profile, waivers", content((crate::bodies::BindForm = "multipart/form-data"))),
    responses(
        (status = 200, description = "The findings and the weights in numbers, or the bound model", content((TrialBind = "application/json"), (crate::bodies::Binary = "model/gltf-binary"))),
        (status = 400, description = "A part is missing, the file cannot be parsed, or the model cannot be bound", body = Problem, content_type = "application/problem+json"),
        (status = 406, description = "No accepted media type can be made", body = Problem, content_type = "application/problem+json"),
        (status = 408, description = "The body did not arrive in time", body = Problem, content_type = "application/problem+json"),
        (status = 413, description = "Too large, or over a limit", body = Problem, content_type = "application/problem+json"),
        (status = 415, description = "Not a format that is read", body = Problem, content_type = "application/problem+json"),
        (status = 422, description = "The document builds no rig", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "Busy; Retry-After says when to come again", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn post(
    State(app): State<App>,
    _: May<Submit>,
    AppQuery(options): AppQuery<Options>,
    headers: HeaderMap,
    submission: Submission,
) -> Result<Response, ApiError> {
    let (json, model) = (wishes(&headers, "application", "json"), wishes(&headers, "model", "gltf-binary"));
    let wanted = match (json, model) {
        (json, model) if model > json => Wanted::Model,
        (json, _) if json > 0.0 => Wanted::Report,
        _ => return Err(ApiError::NotAcceptable),
    };
    let bound = trial_bind(&app, submission, options, wanted).await?;
    let kind = match wanted {
        Wanted::Report => "application/json",
        Wanted::Model if bound.body.starts_with(b"glTF") => MODEL,
        Wanted::Model => "model/gltf+json",
    };
    let mut response = ([(header::CONTENT_TYPE, HeaderValue::from_static(kind))], bound.body).into_response();
    response.headers_mut().insert(header::VARY, HeaderValue::from_static("accept, accept-encoding"));
    response.extensions_mut().insert(bound.timing);
    Ok(response)
}
