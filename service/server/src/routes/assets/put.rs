//! `PUT /v1/assets/{production}/{asset}/revisions/{label}`.

use axum::Json;
use axum::extract::State;
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse as _, Response};
use condyle_api::{Problem, Revision};

use crate::app::check::Options;
use crate::app::submit::{Address, submit};
use crate::problem::ApiError;
use crate::routes::negotiate::{AppPath, AppQuery};
use crate::state::App;
use crate::submission::Submission;

/// Submit a revision: checked, stored and acknowledged in one call.
///
/// The same bytes again are a no-op (200); other bytes under the same label are 409 unless `If-Match` names the
/// revision's ETag. An acknowledged revision survives a crash.
#[utoipa::path(
    put, path = "/v1/assets/{production}/{asset}/revisions/{label}", tag = "assets",
    params(("production" = String, Path, description = "The show"), ("asset" = String, Path, description = "The asset"),
           ("label" = String, Path, description = "The submitter's label"), Options),
    request_body(description = "As for POST /v1/checks",
        content(("model/gltf-binary"), ("model/gltf+json"), ("application/json"), ("multipart/form-data"))),
    responses(
        (status = 200, description = "These bytes were already there", body = Revision),
        (status = 201, description = "Stored", body = Revision),
        (status = 400, description = "The file cannot be parsed, or the request is malformed", body = Problem, content_type = "application/problem+json"),
        (status = 409, description = "The label holds other bytes", body = Problem, content_type = "application/problem+json"),
        (status = 412, description = "If-Match does not hold", body = Problem, content_type = "application/problem+json"),
        (status = 413, description = "Too large, or over a limit", body = Problem, content_type = "application/problem+json"),
        (status = 415, description = "Not a format that is read", body = Problem, content_type = "application/problem+json"),
        (status = 422, description = "The document builds no rig, or names another asset", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "Busy, or the store cannot be used", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn put(
    State(app): State<App>,
    AppPath((production, asset, label)): AppPath<(String, String, String)>,
    AppQuery(options): AppQuery<Options>,
    headers: HeaderMap,
    submission: Submission,
) -> Result<Response, ApiError> {
    let address = Address::checked(production, asset, label)?;
    let done = submit(&app, address, submission, options, &headers).await?;
    let status = if done.created { StatusCode::CREATED } else { StatusCode::OK };
    let tag = format!("\"{}\"", done.revision.input_sha256);
    let location = done.revision.report_url.trim_end_matches("/report").to_owned();
    let mut response = (status, Json(done.revision)).into_response();
    for (name, value) in [(header::ETAG, tag), (header::LOCATION, location)] {
        if let Ok(value) = HeaderValue::from_str(&value) {
            response.headers_mut().insert(name, value);
        }
    }
    response.extensions_mut().insert(done.timing);
    Ok(response)
}
