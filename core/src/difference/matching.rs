//! Which joint of the one rig is which of the other.

use std::collections::BTreeMap;

use glam::DVec3;

use crate::model::{JointId, Parent, Rig};

/// A renamed joint stands where it stood, within this fraction of S.
const SAME_PLACE: f64 = 1e-3;

/// Joints of two rigs, matched one to one.
#[derive(Debug)]
pub(super) struct Matching {
    /// For each joint before, the joint now.
    pub(super) forth: Vec<Option<JointId>>,
    /// For each joint now, the joint before.
    pub(super) back: Vec<Option<JointId>>,
}

impl Matching {
    /// Equal names first; then, below joints that are matched, the only one that stands at the same place with as many
    /// joints below it.
    pub(super) fn new(before: &Rig, now: &Rig, names: (&[String], &[String]), size: f64) -> Self {
        let mut matching =
            Self { forth: vec![None; before.joints.len()], back: vec![None; now.joints.len()] };
        let by_name: BTreeMap<&str, usize> =
            names.1.iter().enumerate().map(|(index, name)| (name.as_str(), index)).collect();
        for (index, name) in names.0.iter().enumerate() {
            if let Some(other) = by_name.get(name.as_str()) {
                matching.pair(index, *other);
            }
        }
        matching.renamed(before, now, size * SAME_PLACE);
        matching
    }

    fn pair(&mut self, before: usize, now: usize) {
        self.forth[before] = Some(JointId::new(now));
        self.back[now] = Some(JointId::new(before));
    }

    fn renamed(&mut self, before: &Rig, now: &Rig, tolerance: f64) {
        let (old_children, new_children) = (children(before), children(now));
        let (old_below, new_below) = (below(before), below(now));
        // Roots stand for the children of nothing. Depth first over pairs, so that a chain renamed whole is followed
        // down; each joint is looked at once.
        let mut open: Vec<(usize, usize)> = self
            .forth
            .iter()
            .enumerate()
            .filter_map(|(i, other)| Some((i, other.as_ref()?.index())))
            .collect();
        let mut level = (roots(before), roots(now));
        loop {
            let (old, new) = (self.unmatched(&level.0, true), self.unmatched(&level.1, false));
            for (a, b) in unique_pairs((before, &old, &old_below), (now, &new, &new_below), tolerance) {
                self.pair(a, b);
                open.push((a, b));
            }
            let Some((a, b)) = open.pop() else { return };
            level = (old_children[a].clone(), new_children[b].clone());
        }
    }

    fn unmatched(&self, list: &[usize], old: bool) -> Vec<usize> {
        let side = if old { &self.forth } else { &self.back };
        list.iter().copied().filter(|index| side[*index].is_none()).collect()
    }
}

/// Joints that a reader would say are the same: at one place, each the only candidate of the other.
fn unique_pairs(
    old: (&Rig, &[usize], &[u32]),
    new: (&Rig, &[usize], &[u32]),
    tolerance: f64,
) -> Vec<(usize, usize)> {
    if old.1.is_empty() || new.1.is_empty() {
        return Vec::new();
    }
    // Sorted along one axis, candidates lie in a window; where a file stacks everything in one place, the window is
    // cut short and nothing there is called renamed.
    const MOST: usize = 64;
    let mut sorted: Vec<(f64, usize)> =
        new.1.iter().map(|index| (origin(new.0, *index).x, *index)).filter(|(x, _)| x.is_finite()).collect();
    sorted.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    let mut choice: Vec<(usize, usize)> = Vec::new();
    let mut claims: BTreeMap<usize, u32> = BTreeMap::new();
    for &a in old.1 {
        let place = origin(old.0, a);
        let start = sorted.partition_point(|(x, _)| *x < place.x - tolerance);
        let near = sorted[start..].iter().take_while(|(x, _)| *x <= place.x + tolerance);
        let near: Vec<usize> = near.take(MOST + 1).map(|(_, index)| *index).collect();
        if near.len() > MOST {
            continue;
        }
        let same = |b: &usize| origin(new.0, *b).distance(place) <= tolerance && new.2[*b] == old.2[a];
        let window: Vec<usize> = near.into_iter().filter(same).collect();
        if let [only] = window.as_slice() {
            choice.push((a, *only));
            *claims.entry(*only).or_default() += 1;
        }
    }
    choice.into_iter().filter(|(_, b)| claims.get(b) == Some(&1)).collect()
}

fn origin(rig: &Rig, joint: usize) -> DVec3 {
    rig.joints[joint].origin()
}

fn roots(rig: &Rig) -> Vec<usize> {
    let is_root = |index: &usize| !matches!(rig.joints[*index].parent, Parent::Joint(_));
    (0..rig.joints.len()).filter(is_root).collect()
}

fn children(rig: &Rig) -> Vec<Vec<usize>> {
    let mut lists = vec![Vec::new(); rig.joints.len()];
    for (index, joint) in rig.joints.iter().enumerate() {
        if let Parent::Joint(parent) = joint.parent {
            lists[parent.index()].push(index);
        }
    }
    lists
}

/// How many joints hang below each, at any depth. Joints of a parent loop count what hangs off the loop only.
fn below(rig: &Rig) -> Vec<u32> {
    let mut waiting = vec![0_u32; rig.joints.len()];
    let parent = |index: usize| match rig.joints[index].parent {
        Parent::Joint(parent) => Some(parent.index()),
        _ => None,
    };
    for index in 0..rig.joints.len() {
        if let Some(parent) = parent(index) {
            waiting[parent] += 1;
        }
    }
    let mut count = vec![0_u32; rig.joints.len()];
    let mut ready: Vec<usize> = (0..rig.joints.len()).filter(|index| waiting[*index] == 0).collect();
    while let Some(index) = ready.pop() {
        if let Some(parent) = parent(index) {
            count[parent] += count[index] + 1;
            waiting[parent] -= 1;
            if waiting[parent] == 0 {
                ready.push(parent);
            }
        }
    }
    count
}
