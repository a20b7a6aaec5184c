//! `GET /healthz` and `GET /readyz`.

use std::time::Duration;

use axum::extract::State;
use condyle_api::Problem;

use crate::problem::ApiError;
use crate::state::App;

/// A database that takes longer is not ready, whatever it says in the end.
const PATIENCE: Duration = Duration::from_secs(2);

/// The process runs.
#[utoipa::path(get, path = "/healthz", tag = "system", operation_id = "isAlive",
    responses((status = 200, description = "It runs", body = String, content_type = "text/plain")))]
pub async fn healthz() -> &'static str {
    "ok\n"
}

/// The store can be written and read.
#[utoipa::path(get, path = "/readyz", tag = "system", operation_id = "isReady",
    responses(
        (status = 200, description = "Submissions can be stored", body = String, content_type = "text/plain"),
        (status = 503, description = "They cannot", body = Problem, content_type = "application/problem+json"),
        (status = 507, description = "They cannot: the disk is full", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn readyz(State(app): State<App>) -> Result<&'static str, ApiError> {
    let ready = app.store.ready(crate::clock::now_ms());
    tokio::time::timeout(PATIENCE, ready)
        .await
        .map_err(|_| ApiError::Unavailable("the database does not answer".into()))??;
    let blobs = app.blobs.clone();
    tokio::task::spawn_blocking(move || blobs.ready())
        .await
        .map_err(|error| ApiError::Internal(error.to_string()))??;
    Ok("ready\n")
}
