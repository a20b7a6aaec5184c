//! The field of a joint: how much of a point follows when the joint turns alone.
//!
//! At bind every skinning matrix is the identity, and turning joint j by R about its origin o gives the joints of j's
//! subtree one and the same matrix, the others none. So linear blend skinning is v' = v + a (R − I)(v − o), a the sum
//! of the weights of j's subtree: one number a point, whatever the number of influences.

use rayon::prelude::*;

use super::tour::Tour;
use crate::body::starts::sum_up;
use crate::body::{NOWHERE, Skinning, Surface};
use crate::facts::Facts;
use crate::model::JointId;

/// Closer than this to none or all of a point is none or all: weights are stored in as little as eight bits, and
/// sums of them in 32-bit floats.
const SNAP: f32 = 1e-4;
/// Weights summed over all joints that are posed, each with the joint above it. Every influence counts once for each joint above
/// it, so a hostile file could ask for the square of its size; a real one asks for a few millions.
const BUDGET: u64 = 96_000_000;

/// Weights of points, filed in the order of the tour.
#[derive(Debug)]
pub(super) struct Columns {
    starts: Vec<u32>,
    entries: Vec<(u32, f32)>,
    /// Points of which something is known: all others take part in nothing.
    pub(super) known: Vec<bool>,
}

/// Copies of each point that have weights.
fn carried(surface: &Surface, skinning: &Skinning) -> Vec<u32> {
    let weighted = |vertex: &&u32| !skinning.row(**vertex).is_empty();
    let points = 0..surface.points.len() as u32;
    points.map(|point| surface.members(point).iter().filter(weighted).count() as u32).collect()
}

impl Columns {
    pub(super) fn new(facts: &Facts<'_>, tour: &Tour) -> Self {
        let (surface, skinning): (&Surface, &Skinning) = (facts.surface(), facts.skinning());
        let mut starts = vec![0_u32; tour.order.len() + 1];
        let carried = carried(surface, skinning);
        let vertices =
            || (0..surface.positions.len() as u32).filter(|v| surface.point_of[*v as usize] != NOWHERE);
        for vertex in vertices() {
            for one in skinning.row(vertex) {
                starts[tour.place(one.joint)] += 1;
            }
        }
        let sum = sum_up(&mut starts);
        let mut next = starts.clone();
        let mut entries = vec![(0, 0.0); sum as usize];
        for vertex in vertices() {
            let row = skinning.row(vertex);
            if row.is_empty() {
                continue;
            }
            let point = surface.point_of[vertex as usize];
            // The mean of the copies: they are one point of the body.
            let copies = carried[point as usize];
            for one in row {
                let place = &mut next[tour.place(one.joint)];
                entries[*place as usize] = (point, one.weight / copies as f32);
                *place += 1;
            }
        }
        Self { starts, entries, known: carried.into_iter().map(|copies| copies > 0).collect() }
    }

    /// The weights of a joint and everything below it.
    fn of(&self, tour: &Tour, joint: JointId) -> &[(u32, f32)] {
        let run = tour.below(joint);
        &self.entries[self.starts[run.start] as usize..self.starts[run.end] as usize]
    }

    /// The weights of a joint alone.
    pub(super) fn own(&self, tour: &Tour, joint: JointId) -> &[(u32, f32)] {
        let at = tour.place(joint);
        &self.entries[self.starts[at] as usize..self.starts[at + 1] as usize]
    }

    /// The joints to pose, and how many had to be left out: those that move least come first, as they tell most.
    pub(super) fn joints(&self, tour: &Tour) -> (Vec<JointId>, u64) {
        let mut list: Vec<(usize, JointId)> = tour
            .order
            .iter()
            .map(|joint| (self.of(tour, *joint).len(), *joint))
            .filter(|(cost, _)| *cost > 0)
            .collect();
        list.sort_unstable();
        let mut spent = 0;
        let kept = list.iter().take_while(|(cost, joint)| {
            // The joint above is asked for once more, for poses of both.
            let above = tour.parent[joint.index()].map_or(0, |up| self.of(tour, up).len());
            spent += (*cost + above) as u64;
            spent <= BUDGET
        });
        let kept: Vec<JointId> = kept.map(|(_, joint)| *joint).collect();
        let left_out = (list.len() - kept.len()) as u64;
        (kept, left_out)
    }
}

/// One joint's field, in buffers that serve one joint after the other.
#[derive(Debug)]
pub(super) struct Field {
    /// Points that follow at all, ascending.
    pub(super) points: Vec<u32>,
    share: Vec<f32>,
    mark: Vec<u32>,
    epoch: u32,
}

impl Field {
    pub(super) fn new(points: usize) -> Self {
        Self { points: Vec::new(), share: vec![0.0; points], mark: vec![0; points], epoch: 0 }
    }

    /// Replaces what was there by the field of a joint.
    pub(super) fn load(&mut self, columns: &Columns, tour: &Tour, joint: JointId) {
        self.fill(columns.of(tour, joint));
    }

    /// Replaces what was there by the weights of a joint alone.
    pub(super) fn load_own(&mut self, columns: &Columns, tour: &Tour, joint: JointId) {
        self.fill(columns.own(tour, joint));
    }

    fn fill(&mut self, weights: &[(u32, f32)]) {
        for point in self.points.drain(..) {
            self.share[point as usize] = 0.0;
        }
        for (point, weight) in weights {
            let share = &mut self.share[*point as usize];
            if *share == 0.0 {
                self.points.push(*point);
            }
            *share += weight;
        }
        self.points.sort_unstable();
        let share = &mut self.share;
        self.points.retain(|point| {
            let share = &mut share[*point as usize];
            if *share < SNAP {
                *share = 0.0;
            } else if *share > 1.0 - SNAP {
                *share = 1.0;
            }
            *share > 0.0
        });
    }

    /// How much of a point follows, 0 to 1.
    pub(super) fn at(&self, point: u32) -> f32 {
        self.share[point as usize]
    }

    /// Forgets all marks.
    pub(super) fn forget(&mut self) {
        self.epoch += 1;
    }

    /// Marks a point; whether it was not marked before.
    pub(super) fn first(&mut self, point: u32) -> bool {
        std::mem::replace(&mut self.mark[point as usize], self.epoch) != self.epoch
    }
}

/// Triangles around each point.
#[derive(Debug)]
pub(super) struct Fans {
    starts: Vec<u32>,
    triangles: Vec<u32>,
}

impl Fans {
    pub(super) fn new(surface: &Surface) -> Self {
        let mut starts = vec![0_u32; surface.points.len() + 1];
        let corners = |triangle: usize| surface.corner_points(triangle as u32);
        let whole = |[a, b, c]: [u32; 3]| a != b && b != c && c != a;
        for triangle in (0..surface.triangles.len()).filter(|t| whole(corners(*t))) {
            for point in corners(triangle) {
                starts[point as usize] += 1;
            }
        }
        let sum = sum_up(&mut starts);
        let mut next = starts.clone();
        let mut triangles = vec![0; sum as usize];
        for triangle in (0..surface.triangles.len()).filter(|t| whole(corners(*t))) {
            for point in corners(triangle) {
                let place = &mut next[point as usize];
                triangles[*place as usize] = triangle as u32;
                *place += 1;
            }
        }
        Self { starts, triangles }
    }

    /// The triangles at a point, ascending; none has a point twice.
    pub(super) fn at(&self, point: u32) -> &[u32] {
        &self.triangles[self.starts[point as usize] as usize..self.starts[point as usize + 1] as usize]
    }
}

/// The share of the skin's area that follows one joint and no other.
pub(super) fn rigid_share(facts: &Facts<'_>) -> f64 {
    let (surface, skinning) = (facts.surface(), facts.skinning());
    let areas: Vec<(f64, f64)> = surface
        .triangles
        .par_iter()
        .map(|corners| {
            let rows = corners.map(|vertex| skinning.row(vertex));
            if rows.iter().any(|row| row.is_empty()) {
                return (0.0, 0.0);
            }
            let [a, b, c] = corners.map(|vertex| surface.positions[vertex as usize]);
            let area = (b - a).cross(c - a).length() / 2.0;
            let whole = rows.iter().filter(|row| row.iter().any(|one| one.weight >= 0.98)).count();
            (area, area * whole as f64 / 3.0)
        })
        .collect();
    let sum = areas.iter().fold((0.0, 0.0), |sum, one| (sum.0 + one.0, sum.1 + one.1));
    if sum.0 > 0.0 { sum.1 / sum.0 } else { 1.0 }
}
