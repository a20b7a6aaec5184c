//! `PUT /v1/assets/{production}/{asset}/revisions/{label}`.

use axum::Json;
use axum::extract::State;
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse as _, Response};
use condyle_api::{Problem, Revision};

use crate::app::check::Options;
use crate::app::submit::{Address, Expectation, submit, tag};
use crate::problem::ApiError;
use crate::routes::negotiate::{AppPath, AppQuery, list};
use crate::state::App;
use crate::submission::Submission;

/// Submit a revision: checked, stored and acknowledged in one call.
///
/// The same bytes again are a no-op (200), whatever else the request says; other bytes under the same label are 409.
/// With `If-Match` naming the revision's ETag the revision is replaced (and judged anew, even for the same bytes);
/// `If-None-Match: *` never replaces. An acknowledged revision survives a crash.
#[utoipa::path(
    put, path = "/v1/assets/{production}/{asset}/revisions/{label}", tag = "assets", operation_id = "submitRevision",
    params(("production" = String, Path, description = "The show"), ("asset" = String, Path, description = "The asset"),
           ("label" = String, Path, description = "The submitter's label"), Options),
    request_body(description = "As for POST /v1/checks",
        content(("model/gltf-binary"), ("model/gltf+json"), ("application/json"), ("multipart/form-data"))),
    responses(
        (status = 200, description = "These bytes were already there", body = Revision),
        (status = 201, description = "Stored", body = Revision),
        (status = 400, description = "The file cannot be parsed, or the request is malformed", body = Problem, content_type = "application/problem+json"),
        (status = 409, description = "The label holds other bytes", body = Problem, content_type = "application/problem+json"),
        (status = 408, description = "The body did not arrive in time", body = Problem, content_type = "application/problem+json"),
        (status = 412, description = "If-Match or If-None-Match does not hold", body = Problem, content_type = "application/problem+json"),
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
    let expected = Expectation {
        matches: headers.contains_key(header::IF_MATCH).then(|| list(&headers, &header::IF_MATCH)),
        must_be_new: list(&headers, &header::IF_NONE_MATCH).trim() == "*",
    };
    let done = submit(&app, address, submission, options, expected).await?;
    let status = if done.created { StatusCode::CREATED } else { StatusCode::OK };
    let tag = tag(&done.revision);
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
