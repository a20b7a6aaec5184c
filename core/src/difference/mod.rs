//! What changed between two revisions: findings that are new, fixed or still there, and the skeleton itself.
//!
//! A changed rule must never look like a changed asset: every new or fixed finding carries the [`Cause`] of its change.

mod clips;
mod findings;
mod matching;
mod skeleton;
mod skins;

pub(crate) use findings::other_side;
use serde::{Deserialize, Serialize};

use crate::model::Rig;
use crate::report::{Counts, Report, Severity, SubjectRef, Verdict};

/// The name of the wire form.
pub const FORM: &str = "condyle.difference/1";

/// One of the two things compared.
#[derive(Debug, Clone, Copy)]
pub struct Side<'a> {
    /// What was found.
    pub report: &'a Report,
    /// The rig it was found in, where it is at hand.
    pub rig: Option<&'a Rig>,
}

/// Why a finding is on one side only.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum Cause {
    /// The asset changed.
    Asset,
    /// Profile, catalogue, date or selection changed; the asset's share in it is none.
    Rule,
    /// Both changed, and which of them made the difference cannot be told.
    Either,
    /// The check could not be run on the other side.
    NotChecked,
    /// The other side lists only some findings of this check.
    NotShown,
}

impl Cause {
    /// The words for it in plain text.
    pub fn words(self) -> &'static str {
        match self {
            Self::Asset => "the asset changed",
            Self::Rule => "the rule changed, not the asset",
            Self::Either => "asset and rule changed",
            Self::NotChecked => "not checked on the other side",
            Self::NotShown => "the other side lists only some findings of this check",
        }
    }
}

/// A finding in short.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Brief {
    /// As in the report.
    pub fingerprint: String,
    /// The check's id.
    pub check: String,
    /// How bad.
    pub severity: Severity,
    /// What it is about.
    pub subject: SubjectRef,
    /// One sentence with the numbers.
    pub message: String,
    /// Whether a waiver covers it.
    pub waived: bool,
}

/// A finding that is on one side only.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Changed {
    /// The finding.
    #[serde(flatten)]
    pub finding: Brief,
    /// Why it is on one side only.
    pub cause: Cause,
}

/// A finding that is on both sides.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Kept {
    /// The finding as it is now.
    #[serde(flatten)]
    pub finding: Brief,
    /// Its severity before, where that was another.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub severity_before: Option<Severity>,
    /// Whether it was waived before, where that changed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub waived_before: Option<bool>,
}

/// Findings by what became of them; they are the same finding where their fingerprints are equal.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct FindingChanges {
    /// In `to` only.
    pub new: Vec<Changed>,
    /// In `from` only.
    pub fixed: Vec<Changed>,
    /// In both.
    pub unchanged: Vec<Kept>,
}

/// What was judged otherwise on the two sides.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[expect(clippy::struct_excessive_bools, reason = "each is a question of its own")]
pub struct RuleChanges {
    /// The profile is another, or its content.
    pub profile: bool,
    /// The catalogue version is another.
    pub catalogue: bool,
    /// The date that waivers were judged by is another.
    pub as_of: bool,
    /// Other checks were asked for.
    pub selection: bool,
}

impl RuleChanges {
    /// Whether anything is another.
    pub fn any(self) -> bool {
        self.profile || self.catalogue || self.as_of || self.selection
    }
}

/// One side of the answer.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct SideSummary {
    /// What the reader calls it: a revision's label, or a file.
    pub name: String,
    /// Digest of the input.
    pub input_sha256: String,
    /// The answer.
    pub verdict: Verdict,
    /// Findings by severity.
    pub counts: Counts,
    /// The profile's name.
    pub profile: String,
    /// The catalogue version.
    pub catalogue: String,
    /// The date that waivers were judged by, `YYYY-MM-DD`.
    pub as_of: String,
}

/// A joint that has another name.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Renamed {
    /// The name before.
    pub before: String,
    /// The name now.
    pub now: String,
}

/// A joint with another parent.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Reparented {
    /// The joint's name now.
    pub joint: String,
    /// Its parent before; absent for a root or an undecided one.
    pub before: Option<String>,
    /// Its parent now; absent for a root or an undecided one.
    pub now: Option<String>,
}

/// A joint that stands elsewhere at rest.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Moved {
    /// The joint's name now.
    pub joint: String,
    /// The origin before: metres, rig frame.
    pub before: [f64; 3],
    /// The origin now: metres, rig frame.
    pub now: [f64; 3],
    /// How far, millimetres.
    pub distance_mm: f64,
    /// The same as a fraction of S, the largest extent at bind, before.
    pub share: f64,
    /// How far against its parent, millimetres: a joint that is only carried along by its parent has nearly 0.
    pub own_mm: f64,
}

/// A joint whose frame is turned at rest.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Turned {
    /// The joint's name now.
    pub joint: String,
    /// The angle between the two frames, degrees; `null` where one of them is mirrored and the other is not.
    pub degrees: Option<f64>,
}

/// What became of the skeleton.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct SkeletonChanges {
    /// S before, millimetres.
    pub size_before_mm: f64,
    /// S now, millimetres.
    pub size_now_mm: f64,
    /// Joints that moved no farther than this are not listed, millimetres.
    pub tolerance_mm: f64,
    /// Names of joints that were not there.
    pub added: Vec<String>,
    /// Names of joints that are gone.
    pub removed: Vec<String>,
    /// Joints at the same place in the skeleton under another name.
    pub renamed: Vec<Renamed>,
    /// Joints with another parent.
    pub reparented: Vec<Reparented>,
    /// Joints that stand elsewhere at rest.
    pub moved: Vec<Moved>,
    /// Joints that are turned at rest.
    pub turned: Vec<Turned>,
    /// Joints with the same name, parent, place and frame.
    pub same: u64,
}

/// A skin that holds other joints, or binds them otherwise.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct SkinChange {
    /// The skin's name now.
    pub skin: String,
    /// Joints that it holds now and did not; at most 50.
    pub joints_added: Vec<String>,
    /// Joints that it held; at most 50.
    pub joints_removed: Vec<String>,
    /// Joints with another inverse bind matrix: bound in another place, or turned; at most 50.
    pub rebound: Vec<String>,
    /// How many those are.
    pub rebound_joints: u64,
    /// How many joints it holds now and did not.
    #[serde(default)]
    pub added_joints: u64,
    /// How many joints it held and does not.
    #[serde(default)]
    pub removed_joints: u64,
}

/// What became of the skins.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct SkinChanges {
    /// Skins that were not there.
    pub added: Vec<String>,
    /// Skins that are gone.
    pub removed: Vec<String>,
    /// Skins that are on both sides and differ.
    pub changed: Vec<SkinChange>,
    /// Skins that hold the same joints, bound in the same way.
    pub same: u64,
}

/// What a joint carries of a mesh.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct JointWeight {
    /// The joint's name now; of one that is gone, the name it had.
    pub joint: String,
    /// Its share of all weights of the mesh before, 0 to 1.
    pub before: f64,
    /// Its share now.
    pub now: f64,
}

/// A mesh with other weights, or with other vertices.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct WeightChange {
    /// The mesh's name now.
    pub mesh: String,
    /// Its vertices before.
    pub vertices_before: u64,
    /// Its vertices now.
    pub vertices_now: u64,
    /// Vertices of which a weight differs by more than 0.005; `null` where the vertices are not the same points in the
    /// same order, so that none is the other's.
    pub changed: Option<u64>,
    /// The largest difference of one weight.
    pub largest: Option<f64>,
    /// Joints that carry another share of the mesh, the largest change first; at most 50.
    pub joints: Vec<JointWeight>,
}

/// A channel of a clip that finds nothing to drive.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct LostChannel {
    /// The joint or node that it drives.
    pub target: String,
    /// `translation`, `rotation`, `scale` or `weights`.
    pub path: String,
    /// Why it does not play.
    pub reason: String,
}

/// Whether a clip made for the one skeleton plays on the other.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum Playable {
    /// Every joint it drives is there under its name, with the same parent, place and frame.
    Same,
    /// Every joint it drives is there, but some stand, hang or face otherwise, or are plain nodes: it plays and looks
    /// otherwise.
    Otherwise,
    /// Some of its channels find nothing to drive, or nothing that they fit.
    Partly,
    /// None of its channels finds something to drive that it fits.
    No,
}

/// A clip of `from` on the skeleton of `to`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct ClipPlay {
    /// The clip.
    pub clip: String,
    /// Whether it plays.
    pub plays: Playable,
    /// Joints and nodes it drives that are not there under their names; at most 50.
    pub missing: Vec<String>,
    /// How many those are.
    #[serde(default)]
    pub missing_targets: u64,
    /// Joints it drives that stand, hang or face otherwise, or are plain nodes; at most 50.
    pub changed: Vec<String>,
    /// How many those are.
    #[serde(default)]
    pub changed_joints: u64,
    /// Channels that would not play; at most 200.
    #[serde(default)]
    pub lost: Vec<LostChannel>,
    /// How many those are, of how many.
    #[serde(default)]
    pub lost_channels: u64,
    /// Channels of the clip.
    #[serde(default)]
    pub channels: u64,
}

/// The whole answer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Difference {
    /// `condyle.difference/1`.
    pub difference: String,
    /// Before.
    pub from: SideSummary,
    /// Now.
    pub to: SideSummary,
    /// Both hold the same bytes.
    pub same_input: bool,
    /// What was judged otherwise.
    pub rules: RuleChanges,
    /// What became of the findings.
    pub findings: FindingChanges,
    /// What became of the skeleton; `null` where a rig is not at hand.
    pub skeleton: Option<SkeletonChanges>,
    /// What became of the skins; `null` where a rig is not at hand.
    #[serde(default)]
    pub skins: Option<SkinChanges>,
    /// Meshes that are on both sides and have other weights or other vertices.
    #[serde(default)]
    pub weights: Vec<WeightChange>,
    /// Whether the clips of `from` play on `to`; empty where a rig is not at hand.
    pub clips: Vec<ClipPlay>,
}

impl Difference {
    /// New findings that no waiver covers, of at least this severity, for which a changed rule is not to blame.
    pub fn worse(&self, least: Severity) -> usize {
        let new = self.findings.new.iter();
        new.filter(|one| one.cause != Cause::Rule && !one.finding.waived && one.finding.severity <= least)
            .count()
    }
}

/// Compares two sides. `rejudged` is `from`'s input judged by the rules of `to`, where that could be had: it tells a
/// changed rule from a changed asset exactly.
pub fn compare(from: (&str, Side<'_>), to: (&str, Side<'_>), rejudged: Option<&Report>) -> Difference {
    let ((from_name, from), (to_name, to)) = (from, to);
    let rules = rules(from.report, to.report);
    let same_input = from.report.input.sha256 == to.report.input.sha256;
    let compared = match (from.rig, to.rig) {
        (Some(before), Some(now)) => Some(skeleton::Compared::new(before, now)),
        _ => None,
    };
    let (skins, weights) = compared.as_ref().map(skeleton::Compared::skins).unzip();
    Difference {
        skins,
        weights: weights.unwrap_or_default(),
        difference: FORM.to_owned(),
        from: summary(from_name, from.report),
        to: summary(to_name, to.report),
        same_input,
        rules,
        findings: findings::compare(from.report, to.report, rejudged, rules, same_input),
        clips: compared.as_ref().map(clips::play).unwrap_or_default(),
        skeleton: compared.as_ref().map(skeleton::Compared::changes),
    }
}

fn rules(from: &Report, to: &Report) -> RuleChanges {
    RuleChanges {
        profile: from.profile.digest != to.profile.digest,
        catalogue: from.catalogue != to.catalogue,
        as_of: from.as_of != to.as_of,
        selection: from.selection != to.selection,
    }
}

fn summary(name: &str, report: &Report) -> SideSummary {
    SideSummary {
        name: name.to_owned(),
        input_sha256: report.input.sha256.clone(),
        verdict: report.verdict,
        counts: report.counts,
        profile: report.profile.name.clone(),
        catalogue: report.catalogue.clone(),
        as_of: report.as_of.to_string(),
    }
}
