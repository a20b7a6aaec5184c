//! Wire types of the service. The report's own types live in `condyle_core::report`.
#![warn(missing_docs)]

mod access;
mod jobs;
mod rechecks;
mod webhooks;
mod whole;

use condyle_core::report::{Counts, Severity, Verdict};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

pub use access::{
    AuditEntry, AuditPage, NewToken, Rotation, Scope, Token, TokenPage, TokenSecret, Version, VersionPage,
    WaiverEntry,
};
pub use jobs::{Job, JobKind, JobState, Priority, Progress};
pub use rechecks::{
    Recheck, RecheckCounts, RecheckPage, RecheckRequest, RecheckResult, RecheckResultPage, RecheckState,
};
pub use webhooks::{
    Attempt, Delivery, DeliveryPage, DeliveryState, Replay, ReplayRequest, Webhook, WebhookList,
    WebhookMessage, WebhookRequest, WebhookSecret,
};

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
    /// When its latest revision became another one, RFC 3339, UTC.
    pub changed_at: String,
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
    /// Every version that a gate can be pinned to, the oldest first.
    pub versions: Vec<String>,
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
    /// The version of the catalogue that submissions are judged by, whatever they ask for: its checks and their limits.
    /// Without it, what they ask for, else the newest.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub catalogue: Option<String>,
    /// Whether waivers inside files count; those that do not are listed in the report.
    #[serde(default = "yes")]
    pub in_file_waivers: bool,
    /// The label that differences are told against where a request names none: each asset's revision of that label is
    /// its baseline, and no retention rule removes it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(pattern = "^[A-Za-z0-9][A-Za-z0-9._-]{0,99}$")]
    pub baseline: Option<String>,
    /// How long revisions are kept; without it, for good.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub retention: Option<Retention>,
}

/// Which revisions stay. With both members a revision goes only when both would let it go; the latest one of an asset
/// and its baseline always stay.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(min_properties = 1)]
pub struct Retention {
    /// The newest so many revisions of each asset stay.
    #[serde(default, skip_serializing_if = "Option::is_none", deserialize_with = "whole::option")]
    #[schema(minimum = 1)]
    pub keep_last: Option<u32>,
    /// Revisions that are not older than so many days stay.
    #[serde(default, skip_serializing_if = "Option::is_none", deserialize_with = "whole::option")]
    #[schema(minimum = 1)]
    pub keep_days: Option<u32>,
}

impl Default for Policy {
    fn default() -> Self {
        Self { profile: None, catalogue: None, in_file_waivers: true, baseline: None, retention: None }
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
    /// The plan that the model's own skeleton was read as, where no plan came: what the findings and their patches point into.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Object>)]
    pub plan: Option<serde_json::Value>,
}

/// Assets with an unwaived finding of a check, and the findings that their reports list (a report lists at most 50 of a
/// check).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct CheckCount {
    /// The check's id.
    pub check: String,
    /// Assets with an unwaived finding of it.
    pub assets: u64,
    /// Unwaived errors.
    pub error: u64,
    /// Unwaived warnings.
    pub warning: u64,
    /// Unwaived notes.
    pub note: u64,
    /// Waived findings.
    pub waived: u64,
}

/// Assets by the verdict of their latest revision.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct VerdictCounts {
    /// They pass.
    pub pass: u64,
    /// They have warnings at worst.
    pub warn: u64,
    /// They fail.
    pub fail: u64,
}

/// What a day (UTC) left behind, and what happened on it.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct TrendDay {
    /// The day, `YYYY-MM-DD`.
    #[schema(format = Date)]
    pub day: String,
    /// Assets that passed at its end.
    pub pass: u64,
    /// Assets with warnings at worst at its end.
    pub warn: u64,
    /// Assets that failed at its end.
    pub fail: u64,
    /// Revisions stored on it.
    pub stored: u64,
    /// Times that an asset's verdict got better on it.
    pub better: u64,
    /// Times that an asset's verdict got worse on it.
    pub worse: u64,
}

/// The state of a production, or of all.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Summary {
    /// The show that was asked for; `null` for all.
    pub production: Option<String>,
    /// Assets.
    pub assets: u64,
    /// Revisions that are stored.
    pub revisions: u64,
    /// Assets by verdict.
    pub verdicts: VerdictCounts,
    /// The shows by name.
    pub productions: Vec<Production>,
    /// Checks that find something in latest revisions, the one with most assets first.
    pub checks: Vec<CheckCount>,
    /// When the oldest stored revision came, RFC 3339, UTC.
    pub oldest: Option<String>,
    /// When the newest stored revision came, RFC 3339, UTC.
    pub newest: Option<String>,
    /// The last days, the oldest first, each of them, today included.
    pub trend: Vec<TrendDay>,
}

/// What happened.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub enum EventKind {
    /// A revision was stored.
    #[serde(rename = "revision.stored")]
    RevisionStored,
    /// A revision was judged again although it stayed the same: a waiver of it ended.
    #[serde(rename = "revision.rejudged")]
    RevisionRejudged,
    /// A revision was deleted.
    #[serde(rename = "revision.deleted")]
    RevisionDeleted,
    /// The verdict of an asset's latest revision is another one.
    #[serde(rename = "verdict.changed")]
    VerdictChanged,
    /// An asset has no revision any more.
    #[serde(rename = "asset.deleted")]
    AssetDeleted,
    /// What a production agreed on was stored.
    #[serde(rename = "policy.changed")]
    PolicyChanged,
    /// Revisions came in from an archive; there is no event for each of them.
    #[serde(rename = "production.imported")]
    ProductionImported,
    /// The service turned a webhook off, because nothing arrived there for long; the production is that of the webhook,
    /// or empty.
    #[serde(rename = "webhook.disabled")]
    WebhookDisabled,
}

impl EventKind {
    /// All of them.
    pub const ALL: [Self; 8] = [
        Self::RevisionStored,
        Self::RevisionRejudged,
        Self::RevisionDeleted,
        Self::VerdictChanged,
        Self::AssetDeleted,
        Self::PolicyChanged,
        Self::ProductionImported,
        Self::WebhookDisabled,
    ];

    /// The word used on the wire.
    pub fn word(self) -> &'static str {
        match self {
            Self::RevisionStored => "revision.stored",
            Self::RevisionRejudged => "revision.rejudged",
            Self::RevisionDeleted => "revision.deleted",
            Self::VerdictChanged => "verdict.changed",
            Self::AssetDeleted => "asset.deleted",
            Self::PolicyChanged => "policy.changed",
            Self::ProductionImported => "production.imported",
            Self::WebhookDisabled => "webhook.disabled",
        }
    }

    /// The kind that a word means.
    pub fn of(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.word() == word)
    }
}

/// A frame of `/v1/events` by its fields (HTML Living Standard §9.2.6; OpenAPI 3.2.0, Media Type Object, describes such streams so).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct StreamFrame {
    /// The id of the log to come back with.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false)]
    pub id: Option<String>,
    /// What kind of event it is, or `reset`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false)]
    pub event: Option<String>,
    /// JSON; the first frame has none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false)]
    pub data: Option<String>,
}

/// The data of a frame of `/v1/events`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(untagged)]
pub enum Streamed {
    /// What happened.
    Event(Box<Event>),
    /// In a frame named `reset`.
    Reset(Reset),
}

/// What a listener missed is gone: read the lists again, and go on from there.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Reset {
    /// Why, in words.
    pub reason: String,
    /// The id that what comes next follows.
    pub after: u64,
}

/// The data of a server-sent event.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Event {
    /// Counts up in the order in which things happened; also the event's id.
    pub id: u64,
    /// When, RFC 3339, UTC.
    pub at: String,
    /// What; also the event's name.
    pub event: EventKind,
    /// The show.
    pub production: String,
    /// The asset.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub asset: Option<String>,
    /// The revision's label.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub label: Option<String>,
    /// The revision's number.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub number: Option<u64>,
    /// The verdict now.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub verdict: Option<Verdict>,
    /// The verdict before.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub verdict_before: Option<Verdict>,
    /// Why something was deleted: `request` or `retention`; why a revision was judged again: `waiver-expired`; why a
    /// webhook was turned off.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    /// Assets that came in.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub assets: Option<u64>,
    /// Revisions that came in.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub revisions: Option<u64>,
    /// The webhook that was turned off.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub webhook: Option<String>,
}

/// What an import did.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct ImportSummary {
    /// Assets that got something.
    pub assets: u64,
    /// Revisions that were not there.
    pub stored: u64,
    /// Revisions that were there already, the same.
    pub unchanged: u64,
    /// Whether the policy was taken over: it is only where the production had none.
    pub policy: bool,
}
