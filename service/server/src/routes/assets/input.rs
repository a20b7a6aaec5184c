//! `GET /v1/assets/{production}/{asset}/revisions/{label}/input`.

use axum::extract::State;
use axum::http::{HeaderMap, HeaderValue, header};
use axum::response::{IntoResponse as _, Response};
use condyle_api::Problem;
use serde_json::Value;

use crate::problem::ApiError;
use crate::routes::negotiate::{AppPath, AppQuery, tagged};
use crate::state::App;

/// Which file.
#[derive(Debug, serde::Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Which {
    /// A file's name, where the input has several.
    file: Option<String>,
}

/// The bytes that were submitted; of several files the list, or one of them by `file`.
#[utoipa::path(
    get, path = "/v1/assets/{production}/{asset}/revisions/{label}/input", tag = "assets",
    params(("production" = String, Path, description = "The show"), ("asset" = String, Path, description = "The asset"),
           ("label" = String, Path, description = "The label"), Which),
    responses(
        (status = 200, description = "The bytes, or a JSON list of files with role, name, bytes and sha256",
            content(("application/octet-stream"), (Vec<Object> = "application/json"))),
        (status = 400, description = "A name is malformed", body = Problem, content_type = "application/problem+json"),
        (status = 404, description = "There is none", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn input(
    State(app): State<App>,
    AppPath(path): AppPath<(String, String, String)>,
    AppQuery(which): AppQuery<Which>,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    let found = super::find(&app, path).await?;
    let list: Vec<Value> =
        serde_json::from_str(&found.manifest).map_err(|e| ApiError::Internal(e.to_string()))?;
    let chosen = match (&which.file, list.as_slice()) {
        (None, [only]) => only,
        (None, _) => {
            let tag = format!("\"{}-list\"", found.revision.input_sha256);
            return Ok(tagged(&headers, &tag, "application/json", || found.manifest));
        }
        (Some(name), list) => list
            .iter()
            .find(|file| file.get("name").and_then(Value::as_str) == Some(name))
            .ok_or_else(|| ApiError::NotFound("such file in the input".into()))?,
    };
    let sha256 = chosen.get("sha256").and_then(Value::as_str).unwrap_or("").to_owned();
    let blobs = app.blobs.clone();
    let bytes = tokio::task::spawn_blocking(move || blobs.get(&sha256))
        .await
        .map_err(|error| ApiError::Internal(error.to_string()))??;
    let bytes = bytes.ok_or_else(|| ApiError::Internal("the input's blob is gone".into()))?;
    let kind = HeaderValue::from_static("application/octet-stream");
    Ok(([(header::CONTENT_TYPE, kind)], bytes).into_response())
}
