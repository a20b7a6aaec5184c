//! `POST /v1/checks`.

use axum::extract::State;
use axum::http::{HeaderMap, HeaderValue, header};
use axum::response::{IntoResponse as _, Response};
use condyle_api::Problem;
use condyle_core::report::Report;

use crate::app::check::{Options, check};
use crate::problem::ApiError;
use crate::routes::negotiate::{AppQuery, Form, input_name};
use crate::state::App;
use crate::submission::Submission;

/// Check a rig: a GLB, a glTF, a plan, or a multipart body of them.
///
/// A rig full of errors is a 200: the report is the answer. The same bytes, profile, catalogue and `as_of` give the
/// same report, byte for byte.
#[utoipa::path(
    post, path = "/v1/checks", tag = "checks", operation_id = "checkRig", params(Options),
    request_body(description = "A GLB or VRM, a glTF JSON, a plan, or multipart parts model, plan, file, profile, waivers, reference",
        content(("model/gltf-binary"), ("model/gltf+json"), ("application/json"), ("multipart/form-data"))),
    responses(
        (status = 200, description = "The report", content((Report = "application/json"), (String = "text/plain"), (String = "application/sarif+json"), (String = "application/xml"), (String = "text/markdown"), (String = "text/html"))),
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
    AppQuery(options): AppQuery<Options>,
    headers: HeaderMap,
    submission: Submission,
) -> Result<Response, ApiError> {
    respond(&app, options, &headers, submission).await
}

/// Checks, and answers in the form that was asked for.
pub async fn respond(
    app: &App,
    options: Options,
    headers: &HeaderMap,
    submission: Submission,
) -> Result<Response, ApiError> {
    let form = Form::of(headers)?;
    let checked = check(app, submission, options).await?;
    let body = match form {
        Form::Json => checked.json,
        other => other.render(&checked.report, &input_name(&checked.report)),
    };
    let kind = HeaderValue::from_static(form.content_type());
    let mut response = ([(header::CONTENT_TYPE, kind)], body).into_response();
    response.headers_mut().insert(header::VARY, HeaderValue::from_static("accept, accept-encoding"));
    response.extensions_mut().insert(checked.timing);
    Ok(response)
}
