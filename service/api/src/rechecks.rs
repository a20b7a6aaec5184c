//! Checking again what is stored.

use condyle_core::report::Verdict;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{JobState, Problem};

/// Which assets are checked again, and how. Of each asset it is the latest revision.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RecheckRequest {
    /// Only this production.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub production: Option<String>,
    /// Only assets whose latest revision has this verdict.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub verdict: Option<Verdict>,
    /// Only assets whose latest report has a finding of this check or family.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub check: Option<String>,
    /// Only assets whose name holds this text, whatever its case.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub q: Option<String>,
    /// A built-in or a stored profile, whatever the production agreed on; without it, as a submission would be judged now.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub profile: Option<String>,
    /// A version of the catalogue, whatever the production agreed on; without it, as a submission would be judged now.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub catalogue: Option<String>,
    /// The date that waivers are judged by (UTC, `YYYY-MM-DD`); today unless said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(format = Date)]
    pub as_of: Option<String>,
    /// Whether the pose sweep runs; unless said, where the profile asks for it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sweep: Option<bool>,
}

/// Where a campaign stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "lowercase")]
pub enum RecheckState {
    /// Its jobs wait or run.
    Running,
    /// Its jobs wait until it is resumed; those that ran when it was paused end.
    Paused,
    /// All its jobs are over.
    Done,
    /// It was cancelled; results that were there stay.
    Cancelled,
}

/// Assets of a campaign.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, ToSchema)]
pub struct RecheckCounts {
    /// All of them.
    pub total: u64,
    /// Checked.
    pub done: u64,
    /// Given up; the results say why.
    pub dead: u64,
    /// Cancelled.
    pub cancelled: u64,
    /// Not over.
    pub open: u64,
    /// Checked, and another verdict, or a finding new or fixed.
    pub changed: u64,
}

/// A campaign.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Recheck {
    /// Its id (RFC 9562).
    pub id: String,
    /// Where it stands.
    pub state: RecheckState,
    /// What was asked, with the date that it is judged by.
    pub request: RecheckRequest,
    /// The catalogue version that it was begun with.
    pub catalogue: String,
    /// When it was begun, RFC 3339, UTC.
    pub created_at: String,
    /// When it was last begun, paused, resumed or cancelled, RFC 3339, UTC.
    pub updated_at: String,
    /// Its assets.
    pub counts: RecheckCounts,
    /// Where its results are.
    pub results: String,
}

/// Campaigns, the newest first.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct RecheckPage {
    /// The campaigns.
    pub items: Vec<Recheck>,
    /// Give this as `cursor` for the next page; absent on the last one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub next: Option<String>,
}

/// One asset of a campaign.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct RecheckResult {
    /// The show.
    pub production: String,
    /// The asset.
    pub asset: String,
    /// The label of the revision that is checked again.
    pub label: String,
    /// Its number.
    pub number: u64,
    /// Where its job stands.
    pub state: JobState,
    /// The verdict as stored.
    pub before: Verdict,
    /// The verdict now.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub after: Option<Verdict>,
    /// Unwaived findings that the stored report has not.
    pub new: u64,
    /// Unwaived findings that only the stored report has.
    pub fixed: u64,
    /// Unwaived findings of both.
    pub unchanged: u64,
    /// The report, where it changed anything.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub report: Option<String>,
    /// Why it could not be checked.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub problem: Option<Problem>,
}

/// Results of a campaign, by production and asset.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct RecheckResultPage {
    /// The results.
    pub items: Vec<RecheckResult>,
    /// Give this as `cursor` for the next page; absent on the last one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub next: Option<String>,
}
