//! Hinges (D18): the knee or elbow of each limb.
//!
//! A plan says which parts are arms and legs. Elsewhere a limb is a run of joints on one side, up to the first joint
//! that is on no side, and its hinge is the joint whose two segments together are longest.

use std::collections::BTreeMap;

use glam::DVec3;

use super::{Facts, TipKind};
use crate::model::{JointId, PartKind, Side, Source};

/// Both segments of a hinge are at least this share of S.
const LEAST_SEGMENT: f64 = 0.06;
/// Segments of a hinge that a plan's range declares are longer than this share of S.
const SHORTEST: f64 = 1e-3;
/// A run whose segments differ by less than this factor and bend nowhere is a feeler or a rope, not a limb.
const ROPE: f64 = 1.3;
/// Below two straight segments, two bent ones that are at least this long against them are the hinge's.
const DIVIDED: f64 = 0.7;
/// Words for what hangs or sways and has no hinge, or folds in a way of its own, as wings do.
const SOFT: &[&str] = &[
    "ear", "ears", "hair", "tail", "antenna", "feeler", "tentacle", "tongue", "cape", "coat", "cloth",
    "skirt", "rope", "strap", "whisker", "fin", "braid", "wing",
];
/// A run bent by less than this everywhere is straight, degrees.
const STRAIGHT: f64 = 1.0;

/// A limb's hinge.
#[derive(Debug, Clone, Copy)]
pub struct Hinge {
    /// The joint of the upper segment.
    pub upper: JointId,
    /// The hinge itself: the joint of the lower segment.
    pub mid: JointId,
    /// The joint at the end of the lower segment, if the tip is a joint.
    pub end: Option<JointId>,
    /// Origin of the upper segment, metres, at bind.
    pub start: DVec3,
    /// The hinge.
    pub at: DVec3,
    /// The end of the lower segment.
    pub stop: DVec3,
    /// The kind of part, where a plan declares it.
    pub kind: Option<PartKind>,
    /// The topmost joint of the limb.
    pub limb: JointId,
    /// Long segments of its run: with more than three, the limb has several hinges.
    pub long: usize,
}

impl Hinge {
    /// Length of the upper segment, metres.
    pub fn upper_length(&self) -> f64 {
        self.start.distance(self.at)
    }

    /// Length of the lower segment, metres.
    pub fn lower_length(&self) -> f64 {
        self.at.distance(self.stop)
    }

    /// The bend at rest, degrees: nothing when the limb is straight.
    pub fn bend(&self) -> f64 {
        angle(self.at - self.start, self.stop - self.at)
    }

    /// The unit normal of the limb's plane, along upper × lower: the axis about which it is bent.
    pub fn normal(&self) -> Option<DVec3> {
        (self.at - self.start).cross(self.stop - self.at).try_normalize()
    }
}

/// Degrees between two directions; nothing for one without length. Exact near nothing, where a cosine is not.
fn angle(a: DVec3, b: DVec3) -> f64 {
    a.cross(b).length().atan2(a.dot(b)).to_degrees()
}

/// One hinge per limb, by limb.
pub(super) fn hinges(facts: &Facts<'_>) -> Vec<Hinge> {
    let declared = facts.rig().parts.iter().any(|part| part.kind.is_some());
    if declared { of_parts(facts) } else { by_shape(facts) }
}

fn of_parts(facts: &Facts<'_>) -> Vec<Hinge> {
    let tree = facts.tree();
    let parts =
        facts.rig().parts.iter().filter(|part| matches!(part.kind, Some(PartKind::Arm | PartKind::Leg)));
    parts
        .filter_map(|part| {
            // A part out of order is another check's finding.
            let joints: Option<Vec<JointId>> =
                part.joints.iter().map(|joint| joint.as_ref().ok().copied()).collect();
            let joints = joints?;
            let chained = joints.windows(2).all(|pair| tree.parent[pair[1].index()] == Some(pair[0]));
            (chained && joints.len() >= 2).then(|| hinge(facts, &joints, part.kind)).flatten()
        })
        .collect()
}

fn by_shape(facts: &Facts<'_>) -> Vec<Hinge> {
    if facts.rig().source == Source::Plan && facts.rig().parts.is_empty() && facts.mirror().is_none() {
        return Vec::new();
    }
    let tree = facts.tree();
    let sided = |joint: JointId| {
        facts.twins().twin(joint).is_some()
            || matches!(facts.names().side(joint), Some(Side::Left | Side::Right))
    };
    // The topmost sided joint above each joint.
    let mut limb: Vec<Option<JointId>> = vec![None; facts.rig().joints.len()];
    for joint in &tree.order {
        if sided(*joint) {
            let above = tree.parent[joint.index()].and_then(|up| limb[up.index()]);
            limb[joint.index()] = Some(above.unwrap_or(*joint));
        }
    }
    let mut best: BTreeMap<JointId, (f64, Hinge)> = BTreeMap::new();
    for chain in facts.chains() {
        // The part of the chain that lies in one limb.
        for run in chain.chunk_by(|a, b| limb[a.index()] == limb[b.index()]) {
            let Some(top) = run.first().and_then(|first| limb[first.index()]) else { continue };
            if run.iter().any(|joint| soft(&facts.names().plain[joint.index()])) {
                continue;
            }
            let Some(found) = hinge(facts, run, None) else { continue };
            let length = found.upper_length() + found.lower_length();
            let longest = best.get(&top).is_none_or(|(least, _)| length > *least);
            if longest {
                best.insert(top, (length, Hinge { limb: top, ..found }));
            }
        }
    }
    best.into_values().map(|(_, hinge)| hinge).collect()
}

/// Whether one of a name's words says that the joint is of something soft.
fn soft(name: &str) -> bool {
    let mut word = String::new();
    let mut found = false;
    let mut lower = false;
    // A word ends where letters do, and before a capital after a small letter.
    for c in name.chars().chain(std::iter::once(' ')) {
        if !c.is_alphabetic() || (lower && c.is_uppercase()) {
            found |= SOFT.contains(&word.as_str());
            word.clear();
        }
        if c.is_alphabetic() {
            word.extend(c.to_lowercase());
        }
        lower = c.is_lowercase();
    }
    found
}

/// The one joint of a declared limb that its range lets fold about a single axis: the hinge, wherever it stands.
fn folding(facts: &Facts<'_>, run: &[JointId]) -> Option<usize> {
    let still =
        |range: Option<[f64; 2]>| range.is_some_and(|[low, high]| low.abs() < 0.5 && high.abs() < 0.5);
    let folds = |joint: &JointId| {
        let range = &facts.rig().joints[joint.index()].range;
        range.bend.is_some_and(|[low, high]| high - low > 5.0) && still(range.sway) && still(range.twist)
    };
    let mut found = (1..run.len()).filter(|at| folds(&run[*at]));
    found.next().filter(|_| found.next().is_none())
}

/// The hinge of a run of joints, each the parent of the next.
fn hinge(facts: &Facts<'_>, run: &[JointId], kind: Option<PartKind>) -> Option<Hinge> {
    let mut points: Vec<DVec3> = run.iter().map(|joint| facts.origin(*joint)).collect();
    let last = *run.last()?;
    let tip = &facts.tips()[last.index()];
    if tip.known() {
        points.push(tip.point);
    }
    if points.iter().any(|point| !point.is_finite()) {
        return None;
    }
    let length: Vec<f64> = points.windows(2).map(|pair| pair[0].distance(pair[1])).collect();
    let least = LEAST_SEGMENT * facts.s();
    // Of a declared limb with two long bones and an end, the joint between the bones is meant, wherever it stands.
    let anatomy = kind.is_some() && run.len() <= 3;
    let bend = |at: usize| angle(points[at] - points[at - 1], points[at + 1] - points[at]);
    let pair = |at: usize| length[at - 1] + length[at];
    let longest = |from: usize, keep: &dyn Fn(usize) -> bool| {
        let deforms = |at: usize| run.get(at).is_some_and(|joint| facts.deforms(*joint));
        let fits = |at: &usize| {
            length[*at - 1] >= least
                && length[*at] >= least
                && deforms(*at - 1)
                && deforms(*at)
                && (*at == 1 || !anatomy)
                && keep(*at)
        };
        (from..length.len()).filter(fits).max_by(|a, b| pair(*a).total_cmp(&pair(*b)).then(b.cmp(a)))
    };
    let declared = kind.and_then(|_| folding(facts, run)).filter(|at| {
        let long = |at: usize| length.get(at).is_some_and(|length| *length > SHORTEST * facts.s());
        long(*at - 1) && long(*at) && facts.deforms(run[*at - 1]) && facts.deforms(run[*at])
    });
    let mut at = declared.or_else(|| longest(1, &|_| true))?;
    // A long bone may be divided for its twist: then the joint that bends lies below, between shorter segments.
    if declared.is_none()
        && bend(at) < STRAIGHT
        && let Some(below) = longest(at + 1, &|one| bend(one) >= STRAIGHT)
        && pair(below) >= DIVIDED * pair(at)
    {
        at = below;
    }
    let (most, fewest) = length.iter().fold((0.0_f64, f64::MAX), |(m, f), l| (m.max(*l), f.min(*l)));
    let rope = length.len() > 3 && most < ROPE * fewest && (1..length.len()).all(|at| bend(at) < STRAIGHT);
    let end = run.get(at + 1).copied().or(match tip.kind {
        TipKind::Child(child) => Some(child),
        _ => None,
    });
    (!rope || kind.is_some()).then(|| Hinge {
        upper: run[at - 1],
        mid: run[at],
        end,
        start: points[at - 1],
        at: points[at],
        stop: points[at + 1],
        kind,
        limb: run[0],
        long: length.iter().filter(|length| **length >= least).count(),
    })
}

#[cfg(test)]
mod tests {
    use super::soft;

    #[test]
    fn soft_things_are_known_by_a_word_of_their_name() {
        for name in ["ear_2_l", "Ear3.L", "leftEar", "hair", "tail_fin_01", "EAR_L"] {
            assert!(soft(name), "{name}");
        }
        for name in ["forearm_l", "shear", "Heart", "leg_1", "final", ""] {
            assert!(!soft(name), "{name}");
        }
    }
}
