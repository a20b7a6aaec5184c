//! Wire types of the service. The report's own types live in `condyle_core::report`.
#![warn(missing_docs)]

mod jobs;
mod rechecks;

use condyle_core::report::{Counts, Severity, Verdict};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

pub use jobs::{Job, JobKind, JobState, Priority, Progress};
pub use rechecks::{Recheck, RecheckCounts, RecheckRequest, RecheckResult, RecheckResultPage, RecheckState};

/// An RFC 9457 problem.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Problem {
    /// The kind of problem, a stable reference: `/problems/…`.
    #[serde(rename = "type")]
    pub kind: String,
    /// The kind in words, the same for every problem of the kind.
    pub title: String,
    /// The HTTP status.
    pub status: u16,
    /// This problem in words.
    pub detail: String,
    /// JSON Pointer to the fault, where it lies in JSON.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pointer: Option<String>,
    /// Byte offset of the fault, where it lies in bytes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub byte_offset: Option<u64>,
    /// The uploaded file the fault lies in.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub file: Option<String>,
    /// The section of the standard that is broken.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rule: Option<String>,
    /// The limit that is exceeded, by its configuration key.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub limit: Option<String>,
    /// Its value.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub max: Option<u64>,
    /// What was asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub got: Option<u64>,
    /// What was probably meant.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub suggestion: Option<String>,
    /// The incident, for our faults.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub incident: Option<String>,
}

/// One submission of an asset.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Revision {
    /// The show.
    pub production: String,
    /// The asset.
    pub asset: String,
    /// The submitter's label.
    pub label: String,
    /// Counts up within the asset, from 1.
    pub number: u64,
    /// SHA-256 of the input, lower-case hex.
    pub input_sha256: String,
    /// Size of the input, bytes.
    pub input_bytes: u64,
    /// The answer.
    pub verdict: Verdict,
    /// Findings by severity.
    pub counts: Counts,
    /// The profile it was judged by.
    pub profile: String,
    /// The catalogue version.
    pub catalogue: String,
    /// When it was stored, RFC 3339, UTC.
    pub submitted_at: String,
    /// Where its report is.
    pub report_url: String,
}

/// An asset with its latest revision.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Asset {
    /// The show.
    pub production: String,
    /// The asset.
    pub asset: String,
    /// Its latest revision.
    pub latest: Revision,
}

/// A page of a list.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct AssetPage {
    /// The assets, by production and name.
    pub items: Vec<Asset>,
    /// Give this as `cursor` for the next page; absent on the last one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub next: Option<String>,
}

/// Revisions of an asset, the newest first.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct RevisionPage {
    /// The revisions.
    pub items: Vec<Revision>,
    /// Give this as `cursor` for the next page; absent on the last one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub next: Option<String>,
}

/// A file of a revision's input.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct InputFile {
    /// `plan`, `model` or `file`.
    pub role: String,
    /// The name as uploaded.
    pub name: String,
    /// Size in bytes.
    pub bytes: u64,
    /// SHA-256, lower-case hex.
    pub sha256: String,
}

/// A show with the verdicts of its assets' latest revisions.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Production {
    /// Its name.
    pub production: String,
    /// How many assets it has.
    pub assets: u64,
    /// How many of them pass.
    pub pass: u64,
    /// How many of them have warnings at worst.
    pub warn: u64,
    /// How many of them fail.
    pub fail: u64,
}

/// The shows.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct ProductionList {
    /// By name.
    pub items: Vec<Production>,
}

/// A band of a check.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct CatalogueBand {
    /// The key a profile overrides.
    pub name: String,
    /// `plan`, `gltf` or `any`.
    pub source: String,
    /// The limit; absent where the fact itself is the breach.
    pub limit: Option<f64>,
    /// What the limit is measured in.
    pub unit: String,
    /// The default severity; absent is off.
    pub severity: Option<Severity>,
}

/// A check.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct CatalogueEntry {
    /// Its id.
    pub id: String,
    /// One line.
    pub summary: String,
    /// Why it matters.
    pub why: String,
    /// The document the rule comes from.
    pub source: String,
    /// The section in it.
    pub section: String,
    /// Its bands.
    pub bands: Vec<CatalogueBand>,
    /// `live` or `preview`.
    pub stability: String,
    /// The catalogue version it came with.
    pub since: String,
    /// The page, Markdown; only when one check is asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub page: Option<String>,
}

/// The catalogue.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Catalogue {
    /// Its version.
    pub version: String,
    /// The checks, by id.
    pub checks: Vec<CatalogueEntry>,
}

/// A profile.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct ProfileEntry {
    /// Its name.
    pub name: String,
    /// What it is for.
    pub about: String,
    /// What it extends.
    pub extends: Option<String>,
    /// `sha256:` and the digest of its resolved content.
    pub digest: String,
    /// The file it was read from; only when one profile is asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub text: Option<String>,
}

/// What a production agreed on. It beats what a submission's query asks for, which beats what its file says.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Policy {
    /// The profile that submissions are judged by, whatever they ask for; without it, what they ask for.
    #[serde(default)]
    pub profile: Option<String>,
    /// Whether waivers inside files count; those that do not are listed in the report.
    #[serde(default = "yes")]
    pub in_file_waivers: bool,
}

impl Default for Policy {
    fn default() -> Self {
        Self { profile: None, in_file_waivers: true }
    }
}

fn yes() -> bool {
    true
}

/// A stored reference skeleton.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Reference {
    /// The name that profiles use.
    pub name: String,
    /// The file name as uploaded.
    pub file: String,
    /// Size in bytes.
    pub bytes: u64,
    /// SHA-256, lower-case hex.
    pub sha256: String,
}

/// The stored reference skeletons.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct ReferenceList {
    /// By name.
    pub items: Vec<Reference>,
}

/// The built-in profiles and the stored ones.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct ProfileList {
    /// By name.
    pub items: Vec<ProfileEntry>,
}

/// The answer to a trial bind.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct TrialBind {
    /// The family `forecast` on the plan and its body.
    pub report: condyle_core::report::Report,
    /// What the bind came to; `null` where there is none.
    pub bind: Option<condyle_core::bind::Summary>,
    /// Why there is none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub refused: Option<String>,
}
