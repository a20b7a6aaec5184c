//! The text of a stored input, which findings point into.

use condyle_api::InputFile;

use crate::problem::ApiError;
use crate::state::App;
use crate::submission::GLB;

/// The document that findings point into, where it is one of text and still there.
pub async fn text(app: &App, files: &[InputFile]) -> Result<Option<Vec<u8>>, ApiError> {
    let of = |role: &str| files.iter().find(|file| file.role == role);
    let Some(document) = of("plan").or_else(|| of("model")) else { return Ok(None) };
    let held = app.uploads.reserve(document.bytes)?;
    let (blobs, sha256) = (app.blobs.clone(), document.sha256.clone());
    tokio::task::spawn_blocking(move || {
        let _held = held;
        // A binary model may be large, and is looked at no further.
        if blobs.begins(&sha256, GLB)? { Ok(None) } else { Ok(blobs.get(&sha256)?) }
    })
    .await
    .map_err(|error| ApiError::Internal(error.to_string()))?
}
