//! The report (`condyle.report/1`): the wire form of what checks found.

use std::collections::BTreeMap;

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use crate::finding::{Evidence, Fix};
use crate::intake::FileSummary;

/// SARIF's levels, most severe first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// Breaks the asset.
    Error,
    /// Will cost somebody time.
    Warning,
    /// Worth knowing.
    Note,
}

impl Severity {
    /// The word used on the wire.
    pub fn word(self) -> &'static str {
        match self {
            Self::Error => "error",
            Self::Warning => "warning",
            Self::Note => "note",
        }
    }
}

/// The answer in one word.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "lowercase")]
pub enum Verdict {
    /// No unwaived error or warning.
    Pass,
    /// An unwaived warning.
    Warn,
    /// An unwaived error.
    Fail,
}

impl Verdict {
    /// The word used on the wire.
    pub fn word(self) -> &'static str {
        match self {
            Self::Pass => "pass",
            Self::Warn => "warn",
            Self::Fail => "fail",
        }
    }
}

impl Verdict {
    /// What follows from the findings that no waiver covers.
    pub fn of(counts: &Counts) -> Self {
        match counts {
            Counts { error: 1.., .. } => Self::Fail,
            Counts { warning: 1.., .. } => Self::Warn,
            _ => Self::Pass,
        }
    }
}

/// What makes a gate close.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "lowercase")]
pub enum FailOn {
    /// Errors close it.
    #[default]
    Error,
    /// Errors and warnings close it.
    Warning,
    /// Nothing closes it.
    Never,
}

impl FailOn {
    /// Whether a gate with this threshold lets a verdict pass.
    pub fn passes(self, verdict: Verdict) -> bool {
        match self {
            Self::Error => verdict != Verdict::Fail,
            Self::Warning => verdict == Verdict::Pass,
            Self::Never => true,
        }
    }
}

/// The gate's answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Gate {
    /// What closes it.
    pub fail_on: FailOn,
    /// Whether it is open.
    pub passed: bool,
}

/// Findings by severity; waived ones count only as waived.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Counts {
    /// Unwaived errors.
    pub error: u64,
    /// Unwaived warnings.
    pub warning: u64,
    /// Unwaived notes.
    pub note: u64,
    /// Waived findings.
    pub waived: u64,
}

impl Counts {
    /// One more that no waiver covers.
    pub(crate) fn add(&mut self, severity: Severity) {
        *self.of(severity) += 1;
    }

    /// One less.
    pub(crate) fn remove(&mut self, severity: Severity) {
        let count = self.of(severity);
        *count = count.saturating_sub(1);
    }

    fn of(&mut self, severity: Severity) -> &mut u64 {
        match severity {
            Severity::Error => &mut self.error,
            Severity::Warning => &mut self.warning,
            Severity::Note => &mut self.note,
        }
    }
}

/// The profile a report was made with.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct ProfileRef {
    /// Its name.
    pub name: String,
    /// `sha256:` and the digest of its resolved content.
    pub digest: String,
}

/// Which checks were asked for.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Selection {
    /// Only these (ids or families); empty means all.
    pub only: Vec<String>,
    /// Not these.
    pub skip: Vec<String>,
}

/// What was read.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct InputSummary {
    /// `plan`, `gltf` or `plan+gltf`.
    pub kind: String,
    /// The files, sorted by name.
    pub files: Vec<FileSummary>,
    /// The digest of the whole input, lower-case hex.
    pub sha256: String,
    /// Joints of the rig.
    pub joints: u64,
    /// Skins.
    pub skins: u64,
    /// Vertices of all primitives.
    pub vertices: u64,
    /// Clips.
    pub clips: u64,
}

/// A thing, on the wire.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct SubjectRef {
    /// `rig`, `joint`, `segment`, `part`, `chain`, `pair`, `mesh`, `primitive`, `vertices`, `skin`, `clip`, `channel`, `node`, `piece`, `foot`, `group` or `waiver`.
    pub kind: String,
    /// Its name; where names are missing or equal, the path of names from the root plus an ordinal.
    pub name: String,
    /// JSON Pointer into the plan or the glTF JSON.
    pub pointer: String,
    /// `body` where the pointer goes into the glTF that came with a plan; absent where there is one document only.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub document: Option<String>,
}

/// A related thing, on the wire.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct RelatedRef {
    /// See [`SubjectRef::kind`].
    pub kind: String,
    /// See [`SubjectRef::name`].
    pub name: String,
    /// See [`SubjectRef::pointer`].
    pub pointer: String,
    /// See [`SubjectRef::document`].
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub document: Option<String>,
    /// `parent`, `twin`, `member` …
    pub relation: String,
}

/// Where a rule comes from.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct SourceRef {
    /// The document, or `common practice`.
    pub title: String,
    /// The section in it; empty for common practice.
    pub section: String,
}

/// A waiver as it applied.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct WaiverRef {
    /// The check, or a glob over checks.
    pub check: String,
    /// A glob over subject names.
    pub subject: String,
    /// Why.
    pub reason: String,
    /// Who.
    pub by: String,
    /// The last day it holds, UTC, `YYYY-MM-DD`; `null` is for good.
    pub until: Option<String>,
}

/// One finding.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Finding {
    /// Stable across revisions while the fault is the same fault; 32 hex digits.
    pub fingerprint: String,
    /// The check's id.
    pub check: String,
    /// How bad.
    pub severity: Severity,
    /// What it is about.
    pub subject: SubjectRef,
    /// What else it concerns.
    pub related: Vec<RelatedRef>,
    /// One sentence with the numbers.
    pub message: String,
    /// Why it matters.
    pub why: String,
    /// Where the rule comes from.
    pub source: SourceRef,
    /// The numbers.
    pub evidence: Vec<Evidence>,
    /// The remedy, if there is one.
    pub fix: Option<Fix>,
    /// How sure the check is, 0 to 1.
    pub confidence: f64,
    /// The waiver that covers it.
    pub waiver: Option<WaiverRef>,
}

/// How many findings of a check are shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Truncation {
    /// Listed.
    pub shown: u64,
    /// Found.
    pub total: u64,
}

/// Something that was approximated.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Approximation {
    /// In words.
    pub what: String,
    /// How many.
    pub amount: u64,
}

/// Why a check did not run (or not on everything).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum NotRunStatus {
    /// The input has nothing it could look at.
    NotApplicable,
    /// Something it needs could not be read.
    Prerequisite,
    /// The profile or the request turned it off.
    Disabled,
    /// The caller went away.
    Cancelled,
    /// Our bug.
    Failed,
}

/// A check that did not run.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct NotRun {
    /// The check's id.
    pub check: String,
    /// Why, as a word.
    pub status: NotRunStatus,
    /// Why, in words.
    pub reason: String,
}

/// The report.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Report {
    /// `condyle.report/1`.
    pub report: String,
    /// The answer.
    pub verdict: Verdict,
    /// The gate's answer.
    pub gate: Gate,
    /// Findings by severity, truncated ones included.
    pub counts: Counts,
    /// The profile.
    pub profile: ProfileRef,
    /// The catalogue version.
    pub catalogue: String,
    /// The UTC date that waivers were judged by, `YYYY-MM-DD`.
    #[cfg_attr(feature = "schema", schema(value_type = String, format = Date))]
    pub as_of: Date,
    /// Which checks were asked for.
    pub selection: Selection,
    /// What was read.
    pub input: InputSummary,
    /// The findings, most severe first.
    pub findings: Vec<Finding>,
    /// Waivers that policy did not let count.
    pub ignored_waivers: Vec<WaiverRef>,
    /// Checks whose findings are not all listed.
    pub truncated: BTreeMap<String, Truncation>,
    /// What was approximated.
    pub approximations: Vec<Approximation>,
    /// What did not run, and why.
    pub not_run: Vec<NotRun>,
}
