//! Weights that jump a gap: near in space, far along the skin.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use super::TrialBind;
use super::graph::Graph;

/// A weight that counts.
const COUNTS: f64 = 0.1;
/// Shorter ways along the skin are no leak, fraction of S.
const SHORTEST: f64 = 0.05;
/// … nor such that are less than this many times the straight one.
const DETOUR: f64 = 3.0;
/// Patches looked at.
const MOST: usize = 256;

/// A patch of skin apart from the joint's own.
#[derive(Debug, Clone, Copy)]
pub struct Leak {
    /// The joint.
    pub slot: u32,
    /// Its area, square metres.
    pub area: f64,
    /// The largest weight in it.
    pub weight: f64,
    /// Straight distance to the joint's own skin, metres.
    pub straight: f64,
    /// The way along the skin is longer than this, metres.
    pub along: f64,
}

struct Patch {
    slot: u32,
    sum: f64,
    area: f64,
    weight: f64,
    peak: u32,
    points: Vec<u32>,
}

impl TrialBind {
    /// The worst leak of each joint that has one, by joint.
    pub fn leaks(&self) -> Vec<Leak> {
        let (starts, next) = self.graph.neighbours();
        let around = |point: u32| &next[starts[point as usize] as usize..starts[point as usize + 1] as usize];
        let mut members: Vec<Vec<u32>> = vec![Vec::new(); self.joints.len()];
        for (point, row) in self.rows.iter().enumerate() {
            let shell = self.shells[self.graph.shell_of[point] as usize];
            for (slot, _) in row.influences().filter(|one| one.1 > COUNTS && shell.rigid.is_none()) {
                members[slot as usize].push(point as u32);
            }
        }
        let mut visited = vec![u32::MAX; self.graph.points.len()];
        let mut budget = MOST;
        let mut leaks = Vec::new();
        for (slot, list) in members.iter().enumerate() {
            let slot = slot as u32;
            let mut patches: Vec<Patch> = Vec::new();
            for start in list {
                if visited[*start as usize] == slot {
                    continue;
                }
                visited[*start as usize] = slot;
                let mut patch =
                    Patch { slot, sum: 0.0, area: 0.0, weight: 0.0, peak: *start, points: vec![*start] };
                let mut at = 0;
                while at < patch.points.len() {
                    let point = patch.points[at];
                    at += 1;
                    let (weight, mass) =
                        (self.rows[point as usize].weight(slot), self.graph.mass[point as usize]);
                    patch.area += mass;
                    patch.sum += mass * weight;
                    if weight > patch.weight {
                        (patch.weight, patch.peak) = (weight, point);
                    }
                    for other in around(point) {
                        if visited[*other as usize] != slot && list.binary_search(other).is_ok() {
                            visited[*other as usize] = slot;
                            patch.points.push(*other);
                        }
                    }
                }
                patches.push(patch);
            }
            let Some(main) = (0..patches.len()).max_by(|a, b| patches[*a].sum.total_cmp(&patches[*b].sum))
            else {
                continue;
            };
            let mut worst: Option<Leak> = None;
            for (index, patch) in patches.iter().enumerate() {
                if index == main || budget == 0 {
                    continue;
                }
                budget -= 1;
                if let Some(leak) = self.leak(patch, &patches[main], &around)
                    && worst.is_none_or(|known| known.area < leak.area)
                {
                    worst = Some(leak);
                }
            }
            leaks.extend(worst);
        }
        leaks
    }

    fn leak<'n>(&self, patch: &Patch, own: &Patch, around: &impl Fn(u32) -> &'n [u32]) -> Option<Leak> {
        let graph: &Graph = &self.graph;
        let shell = |point: u32| graph.shell_of[point as usize];
        if shell(patch.peak) != shell(own.peak) {
            return None;
        }
        // What belongs to a joint only because it sees no other is skin that nothing holds, not skin that it takes away.
        let seen = self.shells[shell(patch.peak) as usize].seen > 0.0;
        if seen && !self.sights[patch.peak as usize].held {
            return None;
        }
        let place = graph.points[patch.peak as usize];
        let straight = own
            .points
            .iter()
            .map(|point| graph.points[*point as usize].distance_squared(place))
            .min_by(f64::total_cmp)?
            .sqrt();
        let along = (DETOUR * straight).max(SHORTEST * self.s);
        let mut target = vec![false; graph.points.len()];
        for point in &own.points {
            target[*point as usize] = true;
        }
        let far = farther(graph, &patch.points, &target, along, around);
        let Patch { slot, area, weight, .. } = *patch;
        far.then_some(Leak { slot, area, weight, straight, along })
    }
}

/// Whether the way along edges from some points to any target is longer than `most`.
fn farther<'n>(
    graph: &Graph,
    from: &[u32],
    target: &[bool],
    most: f64,
    around: &impl Fn(u32) -> &'n [u32],
) -> bool {
    let mut best = vec![f64::INFINITY; graph.points.len()];
    // The order of distances that are not negative is the order of their bits.
    let mut open: BinaryHeap<Reverse<(u64, u32)>> = BinaryHeap::new();
    for point in from {
        best[*point as usize] = 0.0;
        open.push(Reverse((0, *point)));
    }
    while let Some(Reverse((bits, point))) = open.pop() {
        let way = f64::from_bits(bits);
        if target[point as usize] {
            return false;
        }
        if way > best[point as usize] {
            continue;
        }
        for other in around(point) {
            let to = way + graph.points[point as usize].distance(graph.points[*other as usize]);
            if to <= most && to < best[*other as usize] {
                best[*other as usize] = to;
                open.push(Reverse((to.to_bits(), *other)));
            }
        }
    }
    true
}
