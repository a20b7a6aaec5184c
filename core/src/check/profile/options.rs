//! What a person may write in a profile file. Every departure from what the profile extends has its reason.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::report::Severity;

/// A profile file (`condyle.profile/1`), TOML or the same as JSON.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[cfg_attr(feature = "schema", schema(as = ProfileFile))]
pub struct Options {
    /// `condyle.profile/1`.
    pub profile: String,
    /// Its name: 1 to 64 of a-z 0-9 . _ -, beginning with a letter or digit.
    pub name: String,
    /// What it is for.
    pub about: String,
    /// The profile it starts from: a built-in one or a stored one; without it, the catalogue's own defaults.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub extends: Option<String>,
    /// The reference skeleton that assets conform to, by its name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reference: Option<String>,
    /// Whether the pose sweep runs where nobody says; it takes longer than everything else together.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sweep: Option<bool>,
    /// How the target blends the motions of joints, where it is not as glTF does.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub skinning: Option<SkinningOption>,
    /// Answers to the questions of the suggester of parents, by their ids, for every asset: at most 64. What a plan says itself
    /// in its `conventions`, and what a request answers, goes before them.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub conventions: Option<BTreeMap<String, String>>,
    /// What is asked of names.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub naming: Option<NamingOptions>,
    /// Per check id.
    #[serde(default)]
    pub checks: BTreeMap<String, CheckOptions>,
    /// Per group of joints; of several that match a finding's subject and speak of its check, the last one holds.
    #[serde(default)]
    pub overrides: Vec<OverrideOptions>,
}

/// How a target blends the motions of joints.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[cfg_attr(feature = "schema", schema(as = ProfileSkinning))]
pub enum SkinningOption {
    /// Weighted sums of matrices, as glTF 2.0 says.
    Linear,
    /// Dual quaternions.
    DualQuaternion,
}

impl From<SkinningOption> for crate::sweep::Blend {
    fn from(option: SkinningOption) -> Self {
        match option {
            SkinningOption::Linear => Self::Linear,
            SkinningOption::DualQuaternion => Self::DualQuaternion,
        }
    }
}

/// Changes to one check.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[cfg_attr(feature = "schema", schema(as = ProfileCheck))]
pub struct CheckOptions {
    /// Why the profile departs from the default. Must say something; in an override it may stand on the override.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    /// `false` turns the check off.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub enabled: Option<bool>,
    /// Per band name.
    #[serde(default)]
    pub bands: BTreeMap<String, BandOptions>,
    /// Per setting name.
    #[serde(default)]
    pub settings: BTreeMap<String, f64>,
}

/// Changes to one band.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[cfg_attr(feature = "schema", schema(as = ProfileBand))]
pub struct BandOptions {
    /// The limit, in the band's unit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub limit: Option<f64>,
    /// How bad it is to break it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub severity: Option<SeverityOption>,
}

/// A severity, or none.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[cfg_attr(feature = "schema", schema(as = ProfileSeverity))]
pub enum SeverityOption {
    /// Breaks the asset.
    Error,
    /// Will cost somebody time.
    Warning,
    /// Worth knowing.
    Note,
    /// Not reported.
    Off,
}

impl From<SeverityOption> for Option<Severity> {
    fn from(option: SeverityOption) -> Self {
        match option {
            SeverityOption::Error => Some(Severity::Error),
            SeverityOption::Warning => Some(Severity::Warning),
            SeverityOption::Note => Some(Severity::Note),
            SeverityOption::Off => None,
        }
    }
}

/// Other limits for some joints: for findings whose subject is one of them, or a pair, a chain or a part that holds one.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[cfg_attr(feature = "schema", schema(as = ProfileOverride))]
pub struct OverrideOptions {
    /// A glob over joint names; all unless said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub joints: Option<String>,
    /// A glob over the names and kinds of a plan's parts: joints of those parts. With `joints`, both must match.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub parts: Option<String>,
    /// Why these joints are judged otherwise.
    pub reason: String,
    /// Per check id.
    pub checks: BTreeMap<String, CheckOptions>,
}

/// What is asked of names.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[cfg_attr(feature = "schema", schema(as = ProfileNaming))]
pub struct NamingOptions {
    /// Why.
    pub reason: String,
    /// A regular expression that each character of a name must match, for example `[a-z0-9_]`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub allowed: Option<String>,
    /// Characters that a name has at most.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub longest: Option<u32>,
    /// What some names must look like; replaces the list of the profile that is extended.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub patterns: Option<Vec<PatternOptions>>,
}

/// What the names of some joints must look like. A joint is meant where everything that is said matches.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[cfg_attr(feature = "schema", schema(as = ProfileNamePattern))]
pub struct PatternOptions {
    /// A glob over joint names.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub joints: Option<String>,
    /// A glob over the names and kinds of a plan's parts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub parts: Option<String>,
    /// `deforming`, `carrying` or `control`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub role: Option<RoleOption>,
    /// A glob that the whole name must match.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub glob: Option<String>,
    /// A regular expression that the whole name must match.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub regex: Option<String>,
    /// Why.
    pub reason: String,
}

/// What a joint is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[cfg_attr(feature = "schema", schema(as = ProfileRole))]
pub enum RoleOption {
    /// Moves skin.
    Deforming,
    /// Only carries pieces or other joints.
    Carrying,
    /// Moves other joints, for animators.
    Control,
}
