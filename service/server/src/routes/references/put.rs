//! `PUT /v1/references/{name}`.

use axum::Json;
use axum::extract::State;
use condyle_api::{Problem, Reference};
use condyle_core::intake;

use crate::app::submit::sound;
use crate::problem::ApiError;
use crate::routes::negotiate::AppPath;
use crate::state::App;
use crate::store::StoredReference;
use crate::submission::Submission;

/// Store a reference skeleton, a plan or a GLB, that profiles can name.
///
/// It must build a rig with joints. The same name again takes its place; reports that were made keep their bytes.
#[utoipa::path(put, path = "/v1/references/{name}", tag = "profiles", operation_id = "putReference",
    params(("name" = String, Path, description = "The name that profiles use")),
    request_body(description = "One plan or one GLB",
        content(("model/gltf-binary"), ("application/json"), ("multipart/form-data"))),
    responses(
        (status = 200, description = "Stored", body = Reference),
        (status = 400, description = "The file cannot be parsed, or the name is malformed", body = Problem, content_type = "application/problem+json"),
        (status = 413, description = "Too large, or over a limit", body = Problem, content_type = "application/problem+json"),
        (status = 415, description = "Not a format that is read", body = Problem, content_type = "application/problem+json"),
        (status = 422, description = "The document builds no rig", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "Busy, or the store cannot be used", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn put(
    State(app): State<App>,
    AppPath(name): AppPath<String>,
    submission: Submission,
) -> Result<Json<Reference>, ApiError> {
    sound("name", &name)?;
    let (limits, blobs) = (app.config.limits, app.blobs.clone());
    let (stored, keep) = app
        .pool
        .run(move |_| -> Result<_, ApiError> {
            let mut files = submission.all();
            let (Some((_, file)), None) = (files.next(), files.next()) else {
                return Err(ApiError::InvalidRequest("a reference is one file: a plan or a GLB".into()));
            };
            let read = intake::read(&submission.bundle(), &limits)?;
            if read.rig.joints.is_empty() {
                return Err(ApiError::InvalidRequest(
                    "a reference has joints, and this file has none".into(),
                ));
            }
            let sha256 = intake::file_digest(&file.bytes);
            // From here until the row is there, no blob goes.
            let keep = tokio::runtime::Handle::current().block_on(blobs.keep());
            blobs.put(&sha256, &file.bytes)?;
            Ok((StoredReference { file: file.name.clone(), sha256, bytes: file.bytes.len() as u64 }, keep))
        })
        .await??;
    app.store.put_reference(&name, &stored, crate::clock::now_ms()).await?;
    drop(keep);
    Ok(Json(super::entry(&name, &stored)))
}
