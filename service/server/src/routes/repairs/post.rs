//! `POST /v1/repairs`.

use axum::extract::State;
use axum::http::{HeaderMap, HeaderValue, header};
use axum::response::{IntoResponse as _, Response};
use condyle_api::Problem;
use condyle_core::repair::Repairs;

use crate::access::{May, Submit};
use crate::app::repair::{RepairOptions, repair};
use crate::problem::ApiError;
use crate::routes::negotiate::{AppQuery, Wanted};
use crate::state::App;
use crate::submission::Submission;

/// Repair a rig: apply the fixes of its findings.
///
/// By `Accept` the answer is what would change, as JSON (the default: a dry run), or the repaired document in the form
/// that was sent: `model/gltf-binary`, `model/gltf+json`, or `application/vnd.condyle.plan+json` for a plan.
/// `application/octet-stream` is the document whatever it is. What is not touched keeps every byte, and repairing twice
/// changes nothing. Of a plan sent with its body, the plan is repaired.
#[utoipa::path(
    post, path = "/v1/repairs", tag = "checks", operation_id = "repairRig", security((), ("token" = ["submit"])), params(RepairOptions),
    request_body(description = "A GLB or VRM, a glTF JSON, a plan, or multipart parts model, plan, file, profile, waivers",
        content((crate::bodies::Binary = "model/gltf-binary"), (crate::bodies::GltfDocument = "model/gltf+json"), (condyle_core::intake::plan::Plan = "application/json"), (crate::bodies::RigForm = "multipart/form-data"))),
    responses(
        (status = 200, description = "What would change, or the repaired document; Condyle-Changes counts the fixes applied",
            content((Repairs = "application/json"), (String = "model/gltf-binary"), (String = "model/gltf+json"),
                (String = "application/vnd.condyle.plan+json"), (String = "application/octet-stream"))),
        (status = 400, description = "The file cannot be parsed, or the request is malformed", body = Problem, content_type = "application/problem+json"),
        (status = 406, description = "No accepted media type can be made of this document", body = Problem, content_type = "application/problem+json"),
        (status = 408, description = "The body did not arrive in time", body = Problem, content_type = "application/problem+json"),
        (status = 413, description = "Too large, or over a limit", body = Problem, content_type = "application/problem+json"),
        (status = 415, description = "Not a format that is read", body = Problem, content_type = "application/problem+json"),
        (status = 422, description = "The document builds no rig, or no finding has a fingerprint of the request", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "Busy; Retry-After says when to come again", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn post(
    State(app): State<App>,
    _: May<Submit>,
    AppQuery(options): AppQuery<RepairOptions>,
    headers: HeaderMap,
    submission: Submission,
) -> Result<Response, ApiError> {
    Wanted::possible(&headers)?;
    let repaired = repair(&app, submission, options).await?;
    let changes = HeaderValue::from(repaired.listing.changes.len());
    let (kind, body) = match Wanted::of(&headers, repaired.form)? {
        Wanted::Listing => {
            let text = serde_json::to_vec(&repaired.listing);
            ("application/json", text.map_err(|error| ApiError::Internal(error.to_string()))?)
        }
        Wanted::Document => (repaired.form.media_type(), repaired.bytes),
    };
    let mut response = ([(header::CONTENT_TYPE, HeaderValue::from_static(kind))], body).into_response();
    response.headers_mut().insert("condyle-changes", changes);
    response.headers_mut().insert(header::VARY, HeaderValue::from_static("accept, accept-encoding"));
    Ok(response)
}
