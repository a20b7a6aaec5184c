//! `GET /v1/references/{name}/file`.

use axum::extract::State;
use axum::http::{HeaderMap, HeaderValue, header};
use axum::response::Response;
use condyle_api::Problem;
use serde::Deserialize;
use utoipa::IntoParams;

use crate::access::{May, Read};
use crate::problem::{ApiError, shown};
use crate::routes::negotiate::{AppPath, AppQuery, not_modified, tagged};
use crate::state::App;

/// Which state.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Which {
    /// A number of its history; the newest unless said.
    #[param(minimum = 1)]
    number: Option<i64>,
}

/// The bytes of a reference skeleton, or of an earlier state of it.
#[utoipa::path(get, path = "/v1/references/{name}/file", tag = "profiles", operation_id = "getReferenceFile",
    security((), ("token" = ["read"])),
    params(("name" = String, Path, description = "The reference"), Which),
    responses(
        (status = 200, description = "The bytes as they came", content((crate::bodies::Binary = "application/octet-stream"))),
        (status = 304, description = "If-None-Match names it"),
        (status = 400, description = "The query is wrong", body = Problem, content_type = "application/problem+json"),
        (status = 404, description = "There is no such reference, or no such state of it", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn file(
    State(app): State<App>,
    _: May<Read>,
    AppPath(name): AppPath<String>,
    AppQuery(which): AppQuery<Which>,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    let sha256 = match which.number {
        Some(number) => app.store.reference_version(&name, number).await?,
        None => app.store.references().await?.get(&name).map(|there| there.sha256.clone()),
    };
    let missing = || ApiError::not_found(format!("such state of the reference {}", shown(&name)));
    let sha256 = sha256.ok_or_else(missing)?;
    let tag = format!("\"{sha256}\"");
    let bytes = if not_modified(&headers, &tag) {
        Vec::new()
    } else {
        let blobs = app.blobs.clone();
        let bytes = tokio::task::spawn_blocking(move || blobs.get(&sha256))
            .await
            .map_err(|error| ApiError::Internal(error.to_string()))??;
        bytes.ok_or_else(|| ApiError::Internal("a reference's blob is gone".into()))?
    };
    // Bytes from a stranger: never to be shown as a page of ours.
    let mut response = tagged(&headers, &tag, "application/octet-stream", || bytes);
    response.headers_mut().insert(header::CONTENT_DISPOSITION, HeaderValue::from_static("attachment"));
    Ok(response)
}
