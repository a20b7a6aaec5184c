//! `PUT /v1/references/{name}`.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::{Problem, Reference};
use condyle_core::intake;

use crate::access::{Act, AdministerAll, May};
use crate::app::submit::sound;
use crate::problem::ApiError;
use crate::routes::conditional::{There, may_store};
use crate::routes::negotiate::{AppPath, json, tag_of};
use crate::state::App;
use crate::store::{Kept, StoredReference};
use crate::submission::Submission;

/// Store a reference skeleton, a plan or a GLB, that profiles can name.
///
/// It must build a rig with joints. The same name again takes its place; reports that were made keep their bytes.
#[utoipa::path(put, path = "/v1/references/{name}", tag = "profiles", operation_id = "putReference", security((), ("token" = ["administer"])),
    params(("name" = String, Path, description = "The name that profiles use"),
           ("If-Match" = Option<String>, Header, description = "The tag of what is replaced, or `*`"),
           ("If-None-Match" = Option<String>, Header, description = "`*`: never replace"),
           ("Condyle-Reason" = Option<String>, Header, description = "Why, for the history: one line of at most 500 bytes")),
    request_body(description = "One plan or one GLB",
        content((crate::bodies::Binary = "model/gltf-binary"), (condyle_core::intake::plan::Plan = "application/json"), (crate::bodies::ReferenceForm = "multipart/form-data"))),
    responses(
        (status = 200, description = "Stored", body = Reference),
        (status = 400, description = "The file cannot be parsed, or the name is malformed", body = Problem, content_type = "application/problem+json"),
        (status = 409, description = "It was stored meanwhile", body = Problem, content_type = "application/problem+json"),
        (status = 412, description = "If-Match or If-None-Match does not hold", body = Problem, content_type = "application/problem+json"),
        (status = 413, description = "Too large, or over a limit", body = Problem, content_type = "application/problem+json"),
        (status = 415, description = "Not a format that is read", body = Problem, content_type = "application/problem+json"),
        (status = 422, description = "The document builds no rig", body = Problem, content_type = "application/problem+json"),
        (status = 428, description = "This service replaces it only with If-Match", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "Busy, or the store cannot be used", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn put(
    State(app): State<App>,
    _: May<AdministerAll>,
    AppPath(name): AppPath<String>,
    headers: HeaderMap,
    act: Act,
    submission: Submission,
) -> Result<Response, ApiError> {
    sound("name", &name)?;
    act.explained(&app)?;
    let seen = app.store.version(Kept::Reference, &name).await?;
    let tag = app.store.references().await?.get(&name).map(|there| tag_of(&super::entry(&name, there)));
    let there = There { stored: tag.is_some(), tag: tag.transpose()? };
    let conditional = may_store(&app, &headers, &there)?;
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
    let seen = conditional.then_some(seen);
    let done = app.store.put_reference(&name, &stored, seen, &act, crate::clock::now_ms()).await?;
    drop(keep);
    if !done {
        return Err(ApiError::Conflict(format!("the reference {name} was stored meanwhile")));
    }
    json(&HeaderMap::new(), &super::entry(&name, &stored))
}
