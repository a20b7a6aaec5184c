//! Tips (D6) and chains (D7).

use glam::DVec3;

use super::Facts;
use super::axes::{end_markers, local};
use crate::model::{JointId, Source};

/// How a tip is known. Checks that judge placement use the first three only.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TipKind {
    /// The plan says so.
    Declared,
    /// The origin of the child that lies on the long axis (within 5°); in a plan without tips, of the only child.
    Child(JointId),
    /// A bare leaf node on the long axis.
    Marker,
    /// The origin of the only child, within 20° of the long axis.
    NearChild(JointId),
    /// Half the parent's length along the long axis: for drawing only.
    Guess,
    /// Nothing is known: the tip is the origin.
    None,
}

/// A joint's tip, metres, rig frame, at bind.
#[derive(Debug, Clone, Copy)]
pub struct Tip {
    /// Where.
    pub point: DVec3,
    /// How it is known.
    pub kind: TipKind,
}

impl Tip {
    /// Known well enough to judge placement by.
    pub fn known(&self) -> bool {
        matches!(self.kind, TipKind::Declared | TipKind::Child(_) | TipKind::Marker)
    }
}

pub(super) fn tips(facts: &Facts<'_>) -> Vec<Tip> {
    let rig = facts.rig();
    let tree = facts.tree();
    let mut tips: Vec<Tip> = (0..rig.joints.len()).map(|index| tip(facts, JointId::new(index))).collect();
    for joint in &tree.order {
        if tips[joint.index()].kind != TipKind::None {
            continue;
        }
        if let (Some(axis), Some(up)) = (facts.long_axis_of(*joint), tree.parent[joint.index()])
            && tips[up.index()].kind != TipKind::None
        {
            let origin = facts.origin(*joint);
            let length = (tips[up.index()].point - facts.origin(up)).length() / 2.0;
            let direction = facts.bind().joints[joint.index()].basis * axis.vector();
            tips[joint.index()] = Tip { point: origin + direction * length, kind: TipKind::Guess };
        }
    }
    tips
}

fn tip(facts: &Facts<'_>, joint: JointId) -> Tip {
    let rig = facts.rig();
    let children = &facts.tree().children[joint.index()];
    let origin = facts.origin(joint);
    if let Some(point) = rig.joints[joint.index()].tip {
        return Tip { point, kind: TipKind::Declared };
    }
    if rig.source == Source::Plan {
        return match children.as_slice() {
            [only] => Tip { point: facts.origin(*only), kind: TipKind::Child(*only) },
            _ => Tip { point: origin, kind: TipKind::None },
        };
    }
    let Some(axis) = facts.long_axis_of(joint) else {
        return Tip { point: origin, kind: TipKind::None };
    };
    let least = 1e-4 * facts.s();
    let angle = |direction: DVec3| direction.angle_between(axis.vector()).to_degrees();
    let nearest = children
        .iter()
        .filter(|child| (facts.origin(**child) - origin).length() > least)
        .map(|child| (angle(local(facts, joint, facts.origin(*child))), *child))
        .min_by(|a, b| a.0.total_cmp(&b.0));
    if let Some((off, child)) = nearest
        && off <= 5.0
    {
        return Tip { point: facts.origin(child), kind: TipKind::Child(child) };
    }
    let frame = &facts.bind().joints[joint.index()];
    let marker = end_markers(facts, joint).min_by(|a, b| angle(*a).total_cmp(&angle(*b)));
    if let Some(offset) = marker
        && angle(offset) <= 5.0
    {
        return Tip { point: origin + frame.basis * (frame.scale * offset), kind: TipKind::Marker };
    }
    if let (Some((off, child)), [_]) = (nearest, children.as_slice())
        && off <= 20.0
    {
        return Tip { point: facts.origin(child), kind: TipKind::NearChild(child) };
    }
    Tip { point: origin, kind: TipKind::None }
}

pub(super) fn chains(facts: &Facts<'_>) -> Vec<Vec<JointId>> {
    let rig = facts.rig();
    let tree = facts.tree();
    let mut next: Vec<Option<JointId>> = vec![None; rig.joints.len()];
    if rig.parts.is_empty() {
        for (index, tip) in facts.tips().iter().enumerate() {
            if let TipKind::Child(child) = tip.kind {
                next[index] = Some(child);
            }
        }
    } else {
        for part in &rig.parts {
            for pair in part.joints.windows(2) {
                if let [Ok(a), Ok(b)] = pair
                    && tree.parent[b.index()] == Some(*a)
                {
                    next[a.index()] = Some(*b);
                }
            }
        }
    }
    let mut continued = vec![false; rig.joints.len()];
    for child in next.iter().flatten() {
        continued[child.index()] = true;
    }
    tree.order
        .iter()
        .filter(|joint| !continued[joint.index()] && next[joint.index()].is_some())
        .map(|joint| std::iter::successors(Some(*joint), |at| next[at.index()]).collect())
        .collect()
}
