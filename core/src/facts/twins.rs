//! Twins by geometry (D10): the tree assigned to its own mirror image, children looked ahead.

use std::collections::BTreeMap;

use super::Facts;
use super::assignment::assign;
use super::mirror::MirrorPlane;
use crate::model::JointId;

/// Cost of a subtree that finds no match, per joint.
const UNMATCHED: f64 = 0.1;
/// A pair farther apart than this share of S is none.
const FARTHEST: f64 = 0.05;
/// Beyond this many siblings, or this many pairs looked at, the nearest mirrored sibling is taken.
const MOST_SIBLINGS: usize = 48;
const MOST_PAIRS: usize = 60_000;

/// Who mirrors whom.
#[derive(Debug, Default)]
pub struct Twins {
    /// The twin of each joint; a joint on the plane is its own.
    pub of: Vec<Option<JointId>>,
    /// Pairs of different joints, the left one first; a limb's upper pairs before its lower ones, equals by name, so
    /// that which pair stands for a limb does not depend on the order of the document.
    pub pairs: Vec<(JointId, JointId)>,
}

impl Twins {
    pub(super) fn new(facts: &Facts<'_>) -> Self {
        let count = facts.rig().joints.len();
        let Some(plane) = facts.mirror() else {
            return Self { of: vec![None; count], pairs: Vec::new() };
        };
        let mut search = Search { facts, plane, costs: BTreeMap::new() };
        let mut image = vec![None; count];
        let roots: Vec<JointId> = facts.tree().roots().collect();
        let mut open = search.match_lists(&roots, &roots).1;
        while let Some((a, b)) = open.pop() {
            image[a.index()] = Some(b);
            let (left, right) = (search.children(a).to_vec(), search.children(b).to_vec());
            open.append(&mut search.match_lists(&left, &right).1);
        }
        let mut of = vec![None; count];
        let mut pairs = Vec::new();
        for index in 0..count {
            let joint = JointId::new(index);
            let Some(other) = image[index] else { continue };
            let near = search.apart(joint, other) < FARTHEST;
            if image[other.index()] == Some(joint) && near {
                of[index] = Some(other);
                if joint < other {
                    let left = plane.distance(facts.origin(joint)) >= plane.distance(facts.origin(other));
                    pairs.push(if left { (joint, other) } else { (other, joint) });
                }
            }
        }
        let depth = &facts.tree().depth;
        let name = |joint: JointId| &facts.rig().joints[joint.index()].name;
        pairs.sort_by(|(a, _), (b, _)| (depth[a.index()], name(*a), a).cmp(&(depth[b.index()], name(*b), b)));
        Self { of, pairs }
    }

    /// The twin on the other side (a joint on the plane has none).
    pub fn twin(&self, joint: JointId) -> Option<JointId> {
        self.of.get(joint.index()).copied().flatten().filter(|other| *other != joint)
    }
}

struct Search<'s, 'a> {
    facts: &'s Facts<'a>,
    plane: &'s MirrorPlane,
    costs: BTreeMap<(JointId, JointId), f64>,
}

impl<'s> Search<'s, '_> {
    fn children(&self, joint: JointId) -> &'s [JointId] {
        &self.facts.tree().children[joint.index()]
    }

    /// Distance of b from a's mirror image, in S.
    fn apart(&self, a: JointId, b: JointId) -> f64 {
        let image = self.plane.mirror(self.facts.origin(a));
        image.distance(self.facts.origin(b)) / self.facts.s()
    }

    fn cost(&mut self, a: JointId, b: JointId) -> f64 {
        if let Some(cost) = self.costs.get(&(a, b)) {
            return *cost;
        }
        // Depth-first over pairs with an explicit stack: chains may be thousands of joints long.
        let mut stack = vec![(a, b, false)];
        while let Some((a, b, expanded)) = stack.pop() {
            if self.costs.contains_key(&(a, b)) {
                continue;
            }
            let (left, right) = (self.children(a), self.children(b));
            let look_ahead = self.costs.len() < MOST_PAIRS && left.len().max(right.len()) <= MOST_SIBLINGS;
            if expanded || !look_ahead || left.is_empty() || right.is_empty() {
                let below = if look_ahead { self.match_known(left, right).0 } else { 0.0 };
                self.costs.insert((a, b), self.apart(a, b) + below);
            } else {
                stack.push((a, b, true));
                stack.extend(left.iter().flat_map(|l| right.iter().map(|r| (*l, *r, false))));
            }
        }
        self.costs.get(&(a, b)).copied().unwrap_or(f64::MAX)
    }

    fn match_lists(&mut self, left: &[JointId], right: &[JointId]) -> (f64, Vec<(JointId, JointId)>) {
        if left.len().max(right.len()) <= MOST_SIBLINGS {
            for l in left {
                for r in right {
                    self.cost(*l, *r);
                }
            }
        }
        self.match_known(left, right)
    }

    /// The best matching of two lists of siblings, by costs already known (or by distance, where there are too many).
    fn match_known(&self, left: &[JointId], right: &[JointId]) -> (f64, Vec<(JointId, JointId)>) {
        let alone = |joint: &JointId| UNMATCHED * f64::from(self.facts.tree().subtree[joint.index()]);
        if left.len().max(right.len()) > MOST_SIBLINGS {
            let pairs = left.iter().filter_map(|l| {
                let nearest = right.iter().min_by(|x, y| self.apart(*l, **x).total_cmp(&self.apart(*l, **y)));
                nearest.map(|r| (*l, *r))
            });
            return (0.0, pairs.collect());
        }
        let (rows, columns) = (left.len(), right.len());
        let n = rows + columns;
        if rows == 0 || columns == 0 {
            return (left.iter().chain(right).map(alone).sum(), Vec::new());
        }
        let mut cost = vec![0.0; n * n];
        for (i, l) in left.iter().enumerate() {
            for (j, r) in right.iter().enumerate() {
                cost[i * n + j] = self.costs.get(&(*l, *r)).copied().unwrap_or_else(|| self.apart(*l, *r));
            }
            for slot in &mut cost[i * n + columns..(i + 1) * n] {
                *slot = alone(l);
            }
        }
        for i in rows..n {
            for (j, r) in right.iter().enumerate() {
                cost[i * n + j] = alone(r);
            }
        }
        let assigned = assign(&cost, n);
        let total = assigned.iter().enumerate().map(|(i, j)| cost[i * n + j]).sum();
        let pairs =
            (0..rows).filter(|i| assigned[*i] < columns).map(|i| (left[i], right[assigned[i]])).collect();
        (total, pairs)
    }
}
