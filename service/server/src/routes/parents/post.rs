//! `POST /v1/parents`.

use axum::extract::State;
use axum::http::{HeaderMap, HeaderValue, header};
use axum::response::{IntoResponse as _, Response};
use condyle_api::Problem;
use condyle_core::parenting::Parents;
use condyle_core::render;

use crate::access::{May, Submit};
use crate::app::parents::{Options, parents};
use crate::problem::ApiError;
use crate::routes::negotiate::{AppQuery, Form};
use crate::state::App;
use crate::submission::Submission;

/// Suggest the parent of every joint that has none.
///
/// Names, places, parts and, where there is one, the body count: a limb hangs through flesh, so the straight way to its parent seldom
/// leaves the skin. For each joint: parent, probability over all trees, runner-up and reasons; for the whole: questions about
/// conventions, and a JSON Patch that applies the suggestions to a plan. Parents that are there are kept; those that
/// look wrong are challenged. The part `answers` carries answers to questions, by their id; they go before those of the
/// plan's `conventions`, and those before the profile's.
#[utoipa::path(
    post, path = "/v1/parents", tag = "parents", operation_id = "suggestParents", security((), ("token" = ["submit"])), params(Options),
    request_body(description = "A plan, a GLB or VRM, a glTF JSON, or multipart parts plan, model, file, profile, answers",
        content((condyle_core::intake::plan::Plan = "application/json"), (crate::bodies::Binary = "model/gltf-binary"), (crate::bodies::GltfDocument = "model/gltf+json"), (crate::bodies::ParentsForm = "multipart/form-data"))),
    responses(
        (status = 200, description = "The suggestions", content((Parents = "application/json"), (String = "text/plain"))),
        (status = 400, description = "The file cannot be parsed, or the request is malformed", body = Problem, content_type = "application/problem+json"),
        (status = 406, description = "No accepted media type can be made", body = Problem, content_type = "application/problem+json"),
        (status = 408, description = "The body did not arrive in time", body = Problem, content_type = "application/problem+json"),
        (status = 413, description = "Too large, or over a limit", body = Problem, content_type = "application/problem+json"),
        (status = 415, description = "Not a format that is read", body = Problem, content_type = "application/problem+json"),
        (status = 422, description = "The document builds no rig, a joint is nowhere, or decided parents form a loop", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "Busy; Retry-After says when to come again", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn post(
    State(app): State<App>,
    _: May<Submit>,
    AppQuery(options): AppQuery<Options>,
    headers: HeaderMap,
    submission: Submission,
) -> Result<Response, ApiError> {
    let form = Form::plain(&headers)?;
    let suggested = parents(&app, submission, options).await?;
    let body = match form {
        Form::Text => render::parents(&suggested.parents),
        _ => suggested.json,
    };
    let kind = HeaderValue::from_static(form.content_type());
    let mut response = ([(header::CONTENT_TYPE, kind)], body).into_response();
    response.headers_mut().insert(header::VARY, HeaderValue::from_static("accept, accept-encoding"));
    response.extensions_mut().insert(suggested.timing);
    Ok(response)
}
