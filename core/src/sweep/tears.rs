//! Seams that open: raw copies of a point that follow a joint by different shares.

use super::ground::Ground;
use super::poses::{Axis, TEAR_ANGLE, lift};
use crate::body::{Half, Influence, Skinning, Surface};
use crate::model::JointId;

/// Copies that differ less than this open by less than any band asks for.
const LEAST: f32 = 5e-5;
/// Joints asked over all tears; see the field's budget.
const BUDGET: u64 = 20_000_000;

/// A point whose copies part.
#[derive(Debug, Clone, Copy)]
pub struct Tear {
    /// The point.
    pub point: u32,
    /// The two copies that part most.
    pub copies: [u32; 2],
    /// The joint whose turn parts them most.
    pub posed: JointId,
    /// About which axis.
    pub axis: Axis,
    /// How far apart they are at 90°, metres.
    pub gap: f64,
    /// How much more one of them follows.
    pub difference: f32,
}

/// Copies of a point across a seam that follow differently: the point and the two copies, ascending, each once.
pub(super) fn parted(surface: &Surface, skinning: &Skinning) -> Vec<(u32, u32, u32)> {
    let mut pairs: Vec<(u32, u32, u32)> = Vec::new();
    for point in 0..surface.points.len() as u32 {
        for sides in surface.edges().halves(point).chunk_by(|a, b| a.to == b.to) {
            let [one, other] = sides else { continue };
            let (a, b) = (ends(surface, point, *one), ends(surface, point, *other));
            // Faces that run the same way along an edge are two sheets that touch.
            if a.2 == b.2 {
                continue;
            }
            pairs.push((point, a.0.min(b.0), a.0.max(b.0)));
            pairs.push((one.to, a.1.min(b.1), a.1.max(b.1)));
        }
    }
    pairs.retain(|(_, a, b)| a != b && differ(skinning.row(*a), skinning.row(*b)));
    pairs.sort_unstable();
    pairs.dedup();
    pairs
}

/// All tears, by point, and how many pairs of copies were not looked at.
pub(super) fn tears(ground: &Ground<'_, '_>) -> (Vec<Tear>, u64) {
    let (surface, skinning) = (ground.surface, ground.facts.skinning());
    let mut sums = vec![0.0_f32; ground.tour.order.len()];
    let (mut touched, mut found, mut left_out) = (Vec::new(), Vec::<Tear>::new(), 0);
    let mut budget = BUDGET;
    for (point, a, b) in parted(surface, skinning) {
        if budget == 0 {
            left_out += 1;
            continue;
        }
        touched.clear();
        for (row, sign) in [(skinning.row(a), 1.0), (skinning.row(b), -1.0)] {
            for one in row {
                let mut at = Some(one.joint);
                while let Some(joint) = at.filter(|_| budget > 0) {
                    budget -= 1;
                    if sums[joint.index()] == 0.0 {
                        touched.push(joint);
                    }
                    sums[joint.index()] += sign * one.weight;
                    at = ground.tour.parent[joint.index()];
                }
            }
        }
        touched.sort_unstable();
        touched.dedup();
        if budget == 0 {
            // One copy's sums may be there without the other's.
            for joint in touched.drain(..) {
                sums[joint.index()] = 0.0;
            }
            left_out += 1;
            continue;
        }
        let place = surface.points[point as usize];
        let mut worst: Option<Tear> = None;
        for joint in touched.drain(..) {
            let difference = std::mem::take(&mut sums[joint.index()]).abs();
            let origin = ground.facts.origin(joint);
            if difference <= LEAST || !origin.is_finite() {
                continue;
            }
            let axes = super::poses::axes(ground.facts, joint);
            let (whole, axis) = lift(&axes, origin, place, TEAR_ANGLE);
            let gap = whole * f64::from(difference);
            if worst.is_none_or(|worst| gap > worst.gap) {
                worst = Some(Tear { point, copies: [a, b], posed: joint, axis, gap, difference });
            }
        }
        match (worst, found.last_mut()) {
            (Some(tear), Some(last)) if last.point == point => {
                *last = if tear.gap > last.gap { tear } else { *last };
            }
            (Some(tear), _) => found.push(tear),
            _ => {}
        }
    }
    (found, left_out)
}

/// The vertices of a triangle's side at the lower and at the higher point, and whether it runs upwards.
fn ends(surface: &Surface, low: u32, half: Half) -> (u32, u32, bool) {
    let corners = surface.triangles[half.corner as usize / 3];
    let (from, to) = (corners[half.corner as usize % 3], corners[(half.corner as usize + 1) % 3]);
    if surface.point_of[from as usize] == low { (from, to, true) } else { (to, from, false) }
}

/// Whether two copies follow differently, and are more than two rigid pieces that touch.
fn differ(a: &[Influence], b: &[Influence]) -> bool {
    let rigid = a.len() == 1 && b.len() == 1;
    !a.is_empty() && !b.is_empty() && !rigid && crate::body::skinning::difference(a, b) > LEAST
}
