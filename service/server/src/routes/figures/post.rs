//! `POST /v1/figures`.

use axum::extract::State;
use axum::http::{HeaderMap, HeaderValue, header};
use axum::response::{IntoResponse as _, Response};
use condyle_api::Problem;

use super::{SVG, acceptable, guarded};
use crate::access::{May, Submit};
use crate::app::figure::{FigureOptions, of_upload};
use crate::problem::ApiError;
use crate::routes::negotiate::AppQuery;
use crate::state::App;
use crate::submission::Submission;

/// Draw a rig: its skeleton over the outline of its body, from the front, the left side and the top, findings marked.
///
/// One scale for all views, stated by the bar; one unit is a CSS pixel. Severities differ in shape, filling and colour;
/// every mark has a number, and the key below has every number. At most 24 places are marked, the worst first; what is
/// left out is counted on the sheet. The same input, options and date give the same bytes. For programs, views carry
/// `data-right`, `data-up`, `data-scale` (units per metre) and `data-origin`, joints `data-joint` and `data-at`, marks
/// `data-mark`, lines of the key `data-findings` (fingerprints). No script, no style sheet, nothing from outside.
#[utoipa::path(
    post, path = "/v1/figures", tag = "checks", operation_id = "drawRig", security((), ("token" = ["submit"])), params(FigureOptions),
    request_body(description = "A GLB or VRM, a glTF JSON, a plan, or multipart parts model, plan, file, profile, waivers, reference",
        content((crate::bodies::Binary = "model/gltf-binary"), (crate::bodies::GltfDocument = "model/gltf+json"), (condyle_core::intake::plan::Plan = "application/json"), (crate::bodies::RigForm = "multipart/form-data"))),
    responses(
        (status = 200, description = "The drawing", body = String, content_type = "image/svg+xml"),
        (status = 400, description = "The file cannot be parsed, or the request is malformed", body = Problem, content_type = "application/problem+json"),
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
    AppQuery(options): AppQuery<FigureOptions>,
    headers: HeaderMap,
    submission: Submission,
) -> Result<Response, ApiError> {
    acceptable(&headers)?;
    let (drawn, timing) = of_upload(&app, submission, options).await?;
    let mut response = ([(header::CONTENT_TYPE, HeaderValue::from_static(SVG))], drawn.svg).into_response();
    response.headers_mut().insert(header::VARY, HeaderValue::from_static("accept, accept-encoding"));
    response.extensions_mut().insert(timing);
    Ok(guarded(response))
}
