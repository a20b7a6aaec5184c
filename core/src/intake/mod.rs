//! Bytes in, a [`Rig`](crate::model::Rig) or a typed fault with a place out.
//!
//! Every upload is hostile: nothing here trusts a count, an offset or a name, follows a URI, or allocates more than
//! a stated multiple of the bytes it was given.

mod fault;
mod limits;

pub use fault::{Fault, FaultKind, Place};
pub use limits::Limits;

use crate::model::Rig;

/// One uploaded file.
#[derive(Debug, Clone, Copy)]
pub struct Upload<'a> {
    /// The file name given by the caller (URIs inside a glTF resolve against these, exactly).
    pub name: &'a str,
    /// The bytes.
    pub bytes: &'a [u8],
}

/// What a check run is given.
#[derive(Debug, Clone, Default)]
pub struct Bundle<'a> {
    /// The plan, if there is one.
    pub plan: Option<Upload<'a>>,
    /// The model (GLB, or glTF JSON), if there is one; beside a plan it is the plan's body.
    pub model: Option<Upload<'a>>,
    /// Files that the model's URIs may name.
    pub files: Vec<Upload<'a>>,
}

/// A file in the report.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct FileSummary {
    /// The name as uploaded.
    pub name: String,
    /// Size in bytes.
    pub bytes: u64,
    /// SHA-256, lower-case hex.
    pub sha256: String,
}

/// What was read: the rig, and what the report says about its input.
#[derive(Debug, Clone)]
pub struct Intake {
    /// The rig.
    pub rig: Rig,
    /// `"plan"`, `"gltf"` or `"plan+gltf"`.
    pub kind: &'static str,
    /// Every file of the bundle, sorted by name.
    pub files: Vec<FileSummary>,
    /// The digest of the whole input: of the single file, or of the sorted list of names and digests.
    pub sha256: String,
    /// What reading approximated or skipped ("approximations" of the report).
    pub approximations: Vec<(String, u64)>,
    /// The plan document as parsed (for patches, waivers, profile), if there was one.
    pub plan: Option<serde_json::Value>,
    /// The glTF root's `extras.condyle`, if present.
    pub gltf_extras: Option<serde_json::Value>,
}
