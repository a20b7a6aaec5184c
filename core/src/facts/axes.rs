//! The long axis by majority (D5).

use glam::DVec3;

use super::Facts;
use crate::model::{JointId, Local, Source};

/// One of the six directions of a joint's local frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Cardinal {
    /// 0 x, 1 y, 2 z.
    pub axis: u8,
    /// Points the negative way.
    pub negative: bool,
}

impl Cardinal {
    /// All six.
    pub const ALL: [Self; 6] = [
        Self { axis: 0, negative: false },
        Self { axis: 0, negative: true },
        Self { axis: 1, negative: false },
        Self { axis: 1, negative: true },
        Self { axis: 2, negative: false },
        Self { axis: 2, negative: true },
    ];

    /// The unit vector.
    pub fn vector(self) -> DVec3 {
        DVec3::AXES[self.axis as usize] * if self.negative { -1.0 } else { 1.0 }
    }

    /// The nearest direction and its angle in degrees.
    pub fn nearest(direction: DVec3) -> Option<(Self, f64)> {
        let unit = direction.try_normalize()?;
        Self::ALL
            .into_iter()
            .map(|axis| (axis, unit.dot(axis.vector()).clamp(-1.0, 1.0).acos().to_degrees()))
            .min_by(|a, b| a.1.total_cmp(&b.1))
    }

    /// `+y` and the like.
    pub fn text(self) -> &'static str {
        match (self.axis, self.negative) {
            (0, false) => "+x",
            (0, true) => "-x",
            (1, false) => "+y",
            (1, true) => "-y",
            (_, false) => "+z",
            (_, true) => "-z",
        }
    }
}

/// What the joints say about their long axis.
#[derive(Debug)]
pub struct LongAxis {
    /// The declared or elected axis; `None` below four votes.
    pub axis: Option<Cardinal>,
    /// Votes per direction, in the order of [`Cardinal::ALL`].
    pub votes: [u32; 6],
    /// Each joint's vote.
    pub voters: Vec<Option<Cardinal>>,
    /// Joints whose segments run against the axis: in many rigs, all those of one side.
    pub reversed: Vec<bool>,
}

/// Fewer joints that run against the axis are no habit.
const LEAST_REVERSED: usize = 3;
/// … nor a smaller share of the votes.
const LEAST_REVERSED_SHARE: f64 = 0.1;

impl LongAxis {
    pub(super) fn new(facts: &Facts<'_>) -> Self {
        let mut votes = [0; 6];
        let mut voters = vec![None; facts.rig().joints.len()];
        for (index, voter) in voters.iter_mut().enumerate() {
            let joint = JointId::new(index);
            if let Some(direction) = vote(facts, joint)
                && let Some((axis, angle)) = Cardinal::nearest(direction)
                && angle <= 20.0
                && let Some(slot) = Cardinal::ALL.iter().position(|c| *c == axis)
            {
                votes[slot] += 1;
                *voter = Some(axis);
            }
        }
        let declared = facts.rig().declared_long_axis.and_then(Cardinal::nearest).map(|(axis, _)| axis);
        let total: u32 = votes.iter().sum();
        let elected = Cardinal::ALL
            .into_iter()
            .zip(votes)
            .max_by_key(|(axis, count)| (*count, std::cmp::Reverse(*axis)))
            .filter(|_| total >= 4)
            .map(|(axis, _)| axis);
        let axis = declared.or(elected);
        let reversed = reversed(facts, axis, &voters);
        Self { axis, votes, voters, reversed }
    }
}

/// Joints that voted against the axis, and those below them that did not vote.
fn reversed(facts: &Facts<'_>, axis: Option<Cardinal>, voters: &[Option<Cardinal>]) -> Vec<bool> {
    let mut out = vec![false; voters.len()];
    let Some(axis) = axis else { return out };
    let against = Some(Cardinal { negative: !axis.negative, ..axis });
    let count = voters.iter().filter(|vote| **vote == against).count();
    let total = voters.iter().flatten().count();
    if count < LEAST_REVERSED || (count as f64) < LEAST_REVERSED_SHARE * total as f64 {
        return out;
    }
    let tree = facts.tree();
    for joint in &tree.order {
        out[joint.index()] = match voters[joint.index()] {
            Some(vote) => Some(vote) == against,
            None => tree.parent[joint.index()].is_some_and(|up| out[up.index()]),
        };
    }
    out
}

/// The direction to the only child (or bare end marker), in the joint's own bind frame.
fn vote(facts: &Facts<'_>, joint: JointId) -> Option<DVec3> {
    let rig = facts.rig();
    let this = &rig.joints[joint.index()];
    if rig.source == Source::Plan {
        this.rotation?;
        return this.tip.map(|tip| local(facts, joint, tip));
    }
    let children = &facts.tree().children[joint.index()];
    match children.as_slice() {
        [only] => {
            let offset = facts.origin(*only) - facts.origin(joint);
            (offset.length() > 1e-4 * facts.s()).then(|| local(facts, joint, facts.origin(*only)))
        }
        [] => {
            let mut markers = end_markers(facts, joint);
            let first = markers.next()?;
            markers.next().is_none().then_some(first)
        }
        _ => None,
    }
}

/// A world point as a direction in a joint's bind frame.
pub(super) fn local(facts: &Facts<'_>, joint: JointId, point: DVec3) -> DVec3 {
    let frame = &facts.bind().joints[joint.index()];
    frame.basis.transpose() * (point - frame.origin)
}

/// Local translations of bare leaf nodes (no mesh, no children, not a joint) directly below a joint.
pub(super) fn end_markers<'f>(facts: &'f Facts<'_>, joint: JointId) -> impl Iterator<Item = DVec3> + 'f {
    let rig = facts.rig();
    rig.joints[joint.index()]
        .node
        .into_iter()
        .flat_map(move |node| &rig.nodes[node.index()].children)
        .map(move |child| &rig.nodes[child.index()])
        .filter(|node| node.joint.is_none() && node.mesh.is_none() && node.children.is_empty())
        .map(|node| match node.local {
            Local::Trs { translation, .. } => translation,
            Local::Matrix(matrix) => matrix.w_axis.truncate(),
        })
        .filter(|offset| offset.is_finite() && *offset != DVec3::ZERO)
}
