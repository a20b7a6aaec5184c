//! `POST /v1/differences`.

use axum::extract::State;
use axum::http::{HeaderMap, header};
use axum::response::{IntoResponse as _, Response};
use condyle_api::Problem;
use condyle_core::difference::Difference;
use condyle_core::render;

use crate::access::{May, Submit};
use crate::app::check::Options;
use crate::app::difference::of_uploads;
use crate::problem::ApiError;
use crate::routes::negotiate::{AppQuery, Form};
use crate::state::App;
use crate::submission::Submission;

/// What changed between two rigs; nothing is kept.
///
/// The part `baseline` is the older one (a GLB, a glTF with its content inside, or a plan), the parts `model`, `plan`
/// and `file` the newer one. Both are judged by the same rules.
#[utoipa::path(
    post, path = "/v1/differences", tag = "checks", operation_id = "compareRigs", security((), ("token" = ["submit"])), params(Options),
    request_body(content((crate::bodies::CompareForm = "multipart/form-data"))),
    responses(
        (status = 200, description = "What changed", content((Difference = "application/json"), (String = "text/plain"), (String = "text/markdown"), (String = "text/html"))),
        (status = 400, description = "A file cannot be parsed, or the request is malformed", body = Problem, content_type = "application/problem+json"),
        (status = 406, description = "No accepted media type can be made", body = Problem, content_type = "application/problem+json"),
        (status = 408, description = "The body did not arrive in time", body = Problem, content_type = "application/problem+json"),
        (status = 413, description = "Too large, or over a limit", body = Problem, content_type = "application/problem+json"),
        (status = 415, description = "Not a format that is read", body = Problem, content_type = "application/problem+json"),
        (status = 422, description = "A document builds no rig", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "Busy", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn post(
    State(app): State<App>,
    _: May<Submit>,
    AppQuery(options): AppQuery<Options>,
    headers: HeaderMap,
    submission: Submission,
) -> Result<Response, ApiError> {
    let form = Form::readable(&headers)?;
    let difference = of_uploads(&app, submission, options).await?;
    let body = render(form, &difference)?;
    let vary = (header::VARY, "accept, accept-encoding");
    Ok(([(header::CONTENT_TYPE, form.content_type()), vary], body).into_response())
}

/// A difference in a form.
pub(in crate::routes) fn render(form: Form, difference: &Difference) -> Result<String, ApiError> {
    match form {
        Form::Text => Ok(render::difference_text(difference)),
        Form::Markdown => Ok(render::difference_markdown(difference)),
        Form::Html => Ok(render::difference_html(difference)),
        _ => serde_json::to_string(difference).map_err(|error| ApiError::Internal(error.to_string())),
    }
}
