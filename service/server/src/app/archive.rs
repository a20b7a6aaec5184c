//! A whole production as a tar archive (POSIX.1-2001, ustar with pax): out as a stream, and in, all or nothing.
//!
//! ```text
//! manifest.ndjson      the first line is the head, each line after it a revision
//! reports/SHA256       each report once
//! blobs/SHA256         each input file once
//! ```

pub mod export;
pub mod import;

use condyle_api::{InputFile, Policy, TrendDay};
use serde::{Deserialize, Serialize};

/// The name of the form.
pub const FORM: &str = "condyle.archive/1";
/// Its media type.
pub const MEDIA_TYPE: &str = "application/x-tar";
/// The manifest's name within it.
const MANIFEST: &str = "manifest.ndjson";

/// The manifest's first line.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Head {
    /// `condyle.archive/1`.
    pub archive: String,
    /// The show it came from.
    pub production: String,
    /// When, RFC 3339, UTC.
    pub exported_at: String,
    /// How many lines follow.
    pub revisions: u64,
    /// What the show agreed on.
    pub policy: Option<Policy>,
    /// Its waivers.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub waivers: Option<serde_json::Value>,
    /// What days left behind.
    pub days: Vec<TrendDay>,
}

/// A revision's line.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Line {
    /// The asset.
    pub asset: String,
    /// The label.
    pub label: String,
    /// Its number.
    pub number: u64,
    /// When it was stored, milliseconds since the epoch.
    pub submitted_ms: i64,
    /// Digest of the input.
    pub input_sha256: String,
    /// The input's files; their bytes lie under `blobs/`.
    pub files: Vec<InputFile>,
    /// Digest of the report, which lies under `reports/`.
    pub report_sha256: String,
    /// Bytes of the report.
    pub report_bytes: u64,
}
