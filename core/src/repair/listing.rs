//! What a repair did (`condyle.repairs/1`): the wire form.

use serde::{Deserialize, Serialize};

use crate::finding::Applicability;
use crate::report::{Counts, Finding, Severity, SubjectRef};

/// What a fix was offered for.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Fixed {
    /// The finding's fingerprint.
    pub fingerprint: String,
    /// Its check.
    pub check: String,
    /// Its severity.
    pub severity: Severity,
    /// What it is about.
    pub subject: SubjectRef,
    /// The finding in one sentence.
    pub message: String,
    /// What the fix does, in words; empty where there is none.
    pub summary: String,
    /// How safe the fix is; `null` where there is none.
    pub applicability: Option<Applicability>,
}

impl Fixed {
    pub(super) fn of(finding: &Finding) -> Self {
        let (summary, applicability) = match &finding.fix {
            Some(fix) => (fix.summary().to_owned(), Some(fix.applicability())),
            None => (String::new(), None),
        };
        Self {
            fingerprint: finding.fingerprint.clone(),
            check: finding.check.clone(),
            severity: finding.severity,
            subject: finding.subject.clone(),
            message: finding.message.clone(),
            summary,
            applicability,
        }
    }
}

/// A fix that was applied.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Change {
    /// The finding and its fix.
    #[serde(flatten)]
    pub fixed: Fixed,
    /// In which pass, from 1: after each pass the document is checked again.
    pub pass: u32,
}

/// What became of a fix that met another one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Resolution {
    /// Applied in a later pass, as the document was by then.
    AppliedLater,
    /// The other fix closed the finding, or made it another one.
    Superseded,
    /// The two undo each other: this one was left out.
    LeftOut,
}

/// Two fixes that touch the same thing in different ways.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Conflict {
    /// The fix that had to wait.
    #[serde(flatten)]
    pub fixed: Fixed,
    /// The fingerprint of the finding whose fix came first; empty where fixes that do not settle were left out.
    pub with: String,
    /// The JSON Pointer, or the thing, that both want to change.
    pub path: String,
    /// What became of it.
    pub resolution: Resolution,
}

/// A fix that was wanted and could not be applied.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Left {
    /// The finding and its fix.
    #[serde(flatten)]
    pub fixed: Fixed,
    /// Why, in words.
    pub reason: String,
}

/// What a repair did, or would do.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Repairs {
    /// `condyle.repairs/1`.
    pub repairs: String,
    /// SHA-256 of the document before, lower-case hex.
    pub before_sha256: String,
    /// SHA-256 of the document after; the same where nothing was changed.
    pub after_sha256: String,
    /// Findings before.
    pub before: Counts,
    /// Findings after.
    pub after: Counts,
    /// Fixes that were applied, in order.
    pub changes: Vec<Change>,
    /// Fixes that met another one.
    pub conflicts: Vec<Conflict>,
    /// Fixes that were wanted and could not be applied.
    pub left: Vec<Left>,
    /// Fixes that were not asked for and want a look first.
    pub review: Vec<Fixed>,
    /// Errors and warnings after that were not there before.
    pub opened: Vec<Fixed>,
}
