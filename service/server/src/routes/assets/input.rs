//! `GET /v1/assets/{production}/{asset}/revisions/{label}/input`.

use axum::extract::State;
use axum::http::{HeaderMap, HeaderValue, header};
use axum::response::Response;
use condyle_api::{InputFile, Problem};

use crate::access::{May, Read};
use crate::problem::ApiError;
use crate::routes::negotiate::{AppPath, AppQuery, not_modified, tagged};
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
    get, path = "/v1/assets/{production}/{asset}/revisions/{label}/input", tag = "assets", operation_id = "getInput", security((), ("token" = ["read"])),
    params(("production" = String, Path, description = "The show"), ("asset" = String, Path, description = "The asset"),
           ("label" = String, Path, description = "The label"), Which),
    responses(
        (status = 200, description = "The bytes of the only file, or of the one asked for; else a list of the files",
            content((crate::bodies::Binary = "model/gltf-binary"), (crate::bodies::Binary = "application/octet-stream"), (Vec<InputFile> = "application/json"))),
        (status = 304, description = "If-None-Match names it"),
        (status = 400, description = "A name is malformed", body = Problem, content_type = "application/problem+json"),
        (status = 404, description = "There is none", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn input(
    State(app): State<App>,
    _: May<Read>,
    AppPath(path): AppPath<(String, String, String)>,
    AppQuery(which): AppQuery<Which>,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    let found = super::whole(&app, path).await?;
    let list: Vec<InputFile> =
        serde_json::from_str(&found.manifest).map_err(|e| ApiError::Internal(e.to_string()))?;
    let chosen = match (&which.file, list.as_slice()) {
        (None, [only]) => only,
        (None, _) => {
            let tag = format!("\"{}-list\"", &found.revision.input_sha256[..32]);
            return Ok(tagged(&headers, &tag, "application/json", || found.manifest));
        }
        (Some(name), list) => list
            .iter()
            .find(|file| file.name == *name)
            .ok_or_else(|| ApiError::not_found("such file in the input"))?,
    };
    let (sha256, blobs) = (chosen.sha256.clone(), app.blobs.clone());
    let tag = format!("\"{sha256}\"");
    let bytes = if not_modified(&headers, &tag) {
        Vec::new()
    } else {
        let bytes = tokio::task::spawn_blocking(move || blobs.get(&sha256))
            .await
            .map_err(|error| ApiError::Internal(error.to_string()))??;
        bytes.ok_or_else(|| ApiError::Internal("the input's blob is gone".into()))?
    };
    // Bytes from a stranger: never to be shown as a page of ours.
    let kind = match bytes.as_slice() {
        [b'g', b'l', b'T', b'F', ..] => "model/gltf-binary",
        [b'{', ..] => "application/json",
        _ => "application/octet-stream",
    };
    let mut response = tagged(&headers, &tag, kind, || bytes);
    response.headers_mut().insert(header::CONTENT_DISPOSITION, HeaderValue::from_static("attachment"));
    Ok(response)
}
