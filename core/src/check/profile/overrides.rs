//! Limits for some joints only.

use wildmatch::WildMatch;

use super::CheckSettings;
use crate::finding::Subject;
use crate::model::{JointId, PartId, Rig};

/// Which joints are meant: by name, and by part.
#[derive(Debug, Clone)]
pub(super) struct Joints {
    pub(super) joints: Option<WildMatch>,
    pub(super) parts: Option<WildMatch>,
}

impl Joints {
    pub(super) fn mean(&self, rig: &Rig, joint: JointId) -> bool {
        let Some(this) = rig.joints.get(joint.index()) else { return false };
        let named = |glob: &WildMatch| glob.matches(this.name.as_deref().unwrap_or_default());
        let parted = |glob: &WildMatch| this.part.is_some_and(|part| part_matches(rig, glob, part));
        self.joints.as_ref().is_none_or(named) && self.parts.as_ref().is_none_or(parted)
    }
}

fn part_matches(rig: &Rig, glob: &WildMatch, part: PartId) -> bool {
    rig.parts.get(part.index()).is_some_and(|part| {
        glob.matches(&part.name) || part.kind_text.as_deref().is_some_and(|kind| glob.matches(kind))
    })
}

/// A check's settings for some joints.
#[derive(Debug, Clone)]
pub struct Override {
    pub(super) whose: Joints,
    /// The check, by its place in the registry.
    pub(super) check: usize,
    /// The settings there.
    pub settings: CheckSettings,
}

impl Override {
    /// Whether a finding's subject is one of the joints, or a pair, a chain, a part or a piece of which one is.
    pub fn matches(&self, rig: &Rig, subject: &Subject) -> bool {
        let mean = |joint: &JointId| self.whose.mean(rig, *joint);
        match subject {
            Subject::Joint(joint) | Subject::Segment(joint) => mean(joint),
            Subject::Pair(one, other) => mean(one) || mean(other),
            Subject::Chain(joints) => joints.iter().any(mean),
            Subject::Part(part) => rig
                .parts
                .get(part.index())
                .is_some_and(|part| part.joints.iter().filter_map(|joint| joint.as_ref().ok()).any(mean)),
            Subject::Piece(piece) => {
                rig.pieces.get(*piece as usize).is_some_and(|piece| piece.carried_by.as_ref().is_ok_and(mean))
            }
            Subject::Foot(foot) => rig.feet.get(*foot as usize).is_some_and(|foot| {
                foot.part.as_ref().is_ok_and(|part| self.matches(rig, &Subject::Part(*part)))
            }),
            Subject::Node(node) => {
                rig.nodes.get(node.index()).and_then(|node| node.joint).is_some_and(|joint| mean(&joint))
            }
            Subject::Rig
            | Subject::Mesh(_)
            | Subject::Primitive(..)
            | Subject::Vertices(..)
            | Subject::Skin(_)
            | Subject::Clip(_)
            | Subject::Channel(..)
            | Subject::Group(_)
            | Subject::Waiver(_) => false,
        }
    }
}
