//! What a check declares about itself.

use bitflags::bitflags;

use super::{Context, Given, Sink};
use crate::facts::Facts;
use crate::model::{Reads, Source};
use crate::report::Severity;

bitflags! {
    /// The inputs a check runs on.
    #[derive(Debug, Clone, Copy, PartialEq, Eq)]
    pub struct On: u8 {
        /// Plans.
        const PLAN = 1;
        /// glTF.
        const GLTF = 2;
        /// Both.
        const BOTH = 3;
    }
}

/// Which way a limit is broken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Bound {
    /// Measured above the limit.
    Above,
    /// Measured below the limit.
    Below,
    /// No number: the fact itself is the breach.
    Fact,
}

/// A limit with the severity of breaking it, for one kind of input.
#[derive(Debug, Clone, Copy)]
pub struct Band {
    /// Unique within the check: the key a profile overrides.
    pub name: &'static str,
    /// The question it answers; a check with one kind of finding uses `""`.
    pub case: &'static str,
    /// The inputs it holds for.
    pub on: On,
    /// Which way it breaks.
    pub bound: Bound,
    /// The default limit, in `unit`; ignored for `Bound::Fact`.
    pub limit: f64,
    /// What the limit is measured in, in words.
    pub unit: &'static str,
    /// The default severity; `None` is off unless a profile turns it on.
    pub severity: Option<Severity>,
}

/// A number a profile may change that is no band.
#[derive(Debug, Clone, Copy)]
pub struct Setting {
    /// Its key.
    pub name: &'static str,
    /// What it is, with its unit.
    pub about: &'static str,
    /// Its default.
    pub default: f64,
}

/// Where a rule comes from.
#[derive(Debug, Clone, Copy)]
pub struct Rule {
    /// The document, or `common practice`.
    pub title: &'static str,
    /// Its section; empty for common practice.
    pub section: &'static str,
}

/// What must hold before a check can say anything.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Need {
    /// At least one joint.
    Joints,
    /// At least one joint with a name.
    Names,
    /// At least one skin.
    Skins,
    /// Vertices with weights.
    Weights,
    /// Triangles.
    Mesh,
    /// Inverse bind matrices.
    BindMatrices,
    /// Clips.
    Clips,
    /// A mirror plane that the rig is proven to have.
    Symmetry,
    /// A long axis, declared or by majority.
    LongAxis,
    /// Joint orientations (plans may leave them out).
    Orientations,
    /// Pieces.
    Pieces,
    /// Parts.
    Parts,
    /// A body that came with the plan.
    Body,
    /// A body that skin weights can be forecast for.
    TrialBind,
    /// A reference skeleton.
    Reference,
    /// Waivers.
    Waivers,
    /// Groups of controls.
    Groups,
    /// Skin that bends: more than rigid pieces that each follow one joint.
    BendingSkin,
}

impl Need {
    /// `Err` says, in words, what the input lacks.
    pub fn met(self, facts: &Facts<'_>, given: &Given<'_>) -> Result<(), &'static str> {
        let rig = facts.rig();
        let has = match self {
            Self::Joints => (!rig.joints.is_empty(), "there is no joint"),
            Self::Names => (rig.joints.iter().any(|j| j.name.is_some()), "no joint has a name"),
            Self::Skins => (!rig.skins.is_empty(), "there is no skin"),
            Self::Weights => (facts.has_weights(), "no mesh has skin weights"),
            Self::Mesh => (facts.has_triangles(), "there is no mesh with triangles"),
            Self::BindMatrices => {
                (rig.skins.iter().any(|s| s.inverse_bind.is_some()), "no skin has inverse bind matrices")
            }
            Self::Clips => (!rig.clips.is_empty(), "there is no clip"),
            Self::Symmetry => {
                (facts.mirror().is_some(), "the rig is not mirror-symmetric, as far as can be proven")
            }
            Self::LongAxis => {
                (facts.long_axis().is_some(), "no long axis is declared and too few joints vote for one")
            }
            Self::Orientations => (facts.has_orientations(), "the plan gives no orientations"),
            Self::Pieces => (facts.has_pieces(), "no joint carries a piece"),
            Self::Parts => (!rig.parts.is_empty(), "the plan declares no parts"),
            Self::Body => (rig.body.is_some(), "no body came with the plan"),
            Self::TrialBind => {
                let bind = facts.trial_bind().err();
                (bind.is_none(), bind.map_or("", crate::bind::Refusal::reason))
            }
            Self::Reference => match given.reference_name {
                None => (given.reference.is_some(), "no reference skeleton was given"),
                Some(_) => {
                    (given.reference.is_some(), "the profile names a reference skeleton that was not given")
                }
            },
            Self::BendingSkin => {
                (!facts.sweep().rigid, "the body is made of rigid pieces: every border between them is a cut")
            }
            Self::Waivers => (!given.waivers.is_empty(), "there is no waiver"),
            Self::Groups => (!rig.groups.is_empty(), "the plan declares no groups"),
        };
        if has.0 { Ok(()) } else { Err(has.1) }
    }
}

/// The range in which a fault can be planted, for the seeded-fault bench.
#[derive(Debug, Clone, Copy)]
pub enum Plantable {
    /// There or not.
    Boolean,
    /// Any strength between the limit and `most`, in the band's unit.
    Range {
        /// The far end.
        most: f64,
    },
    /// A strength that comes round: judged modulo `period`, so at most half of it is plantable.
    Modulo {
        /// The far end, at most half a period.
        most: f64,
        /// The period, in the band's unit.
        period: f64,
    },
    /// What is measured is a bound from below on what was planted: a fault of `most` may measure less.
    FromBelow {
        /// The far end.
        most: f64,
    },
    /// A fault that is found and named less often than in 99 of 100 placements, and why.
    Aimed {
        /// The share that must be found and named.
        aim: f64,
        /// Why it cannot be more.
        reason: &'static str,
        /// The kind of fault.
        kind: &'static Self,
    },
}

impl Plantable {
    /// The share of placements that must be found and named, and the reason where that is less than the catalogue's.
    pub fn aim(&self) -> (f64, Option<&'static str>) {
        if let Self::Aimed { aim, reason, .. } = self { (*aim, Some(reason)) } else { (0.99, None) }
    }

    /// The far end of the strength; `None` where there is none.
    pub fn most(&self) -> Option<f64> {
        match self {
            Self::Boolean => None,
            Self::Range { most } | Self::Modulo { most, .. } | Self::FromBelow { most } => Some(*most),
            Self::Aimed { kind, .. } => kind.most(),
        }
    }
}

/// Whether gates count it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stability {
    /// Counted.
    Live,
    /// Reported as a note; no gate counts it.
    Preview,
}

/// A check: everything but its settings.
#[derive(Debug)]
pub struct Descriptor {
    /// `family/name`; also its path in `core/src/checks`.
    pub id: &'static str,
    /// One line, lower-case start, no final stop.
    pub summary: &'static str,
    /// Why it matters: goes into every finding.
    pub why: &'static str,
    /// Where the rule comes from.
    pub rule: Rule,
    /// The page, Markdown, with runnable examples.
    pub page: &'static str,
    /// The inputs it runs on.
    pub on: On,
    /// Its bands.
    pub bands: &'static [Band],
    /// What must hold first.
    pub requires: &'static [Need],
    /// What it reads.
    pub reads: Reads,
    /// Numbers a profile may change.
    pub settings: &'static [Setting],
    /// How a fault can be planted.
    pub plantable: Plantable,
    /// Whether gates count it.
    pub stability: Stability,
    /// The catalogue version it came with.
    pub since: &'static str,
    /// The function.
    pub run: fn(&Context<'_>, &mut Sink<'_>),
}

impl Descriptor {
    /// The part before the slash.
    pub fn family(&self) -> &'static str {
        self.id.split_once('/').map_or(self.id, |(family, _)| family)
    }

    /// Whether it runs on this kind of rig at all.
    pub fn runs_on(&self, source: Source) -> bool {
        self.on.contains(On::from(source))
    }
}

impl From<Source> for On {
    fn from(source: Source) -> Self {
        match source {
            Source::Plan => Self::PLAN,
            Source::Gltf => Self::GLTF,
        }
    }
}
