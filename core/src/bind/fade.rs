//! Weights fade with the distance to their joints: the heat on the skin does not know how far below it a joint lies, artists do.
//!
//! A weight counts exp(−0.4·d/R) times: d is the distance to the joint's segments, R its body radius. What else was tried is in
//! `MEASURED.md`.

use glam::DVec3;

use super::rows::{MOST_KEPT, Row};
use super::segments::Segment;
use super::segments_of;

/// How fast weights fade.
const FADE: f64 = 0.4;

/// What weights fade with.
#[derive(Clone, Copy)]
pub(super) struct Fade<'a> {
    /// Sorted by joint.
    pub(super) segments: &'a [Segment],
    /// Body radii by joint, metres; never nothing.
    pub(super) radius: &'a [f64],
}

impl Fade<'_> {
    /// The `most` strongest influences of a row of heat at a place, faded; they add up to one.
    pub(super) fn row(&self, row: &Row, place: DVec3, most: usize) -> Row {
        // Joint, heat, and how much that fades.
        let mut list = [(0, 0.0, 0.0); MOST_KEPT];
        let list = &mut list[..row.influences().len()];
        for (one, (slot, weight)) in list.iter_mut().zip(row.influences()) {
            let apart =
                segments_of(self.segments, slot).iter().map(|one| one.nearest(place).0.distance(place));
            let distance = apart.fold(f64::INFINITY, f64::min);
            *one = (slot, weight, FADE * distance / self.radius[slot as usize]);
        }
        // What is common to all is taken off: not everything fades to nothing.
        let least = list.iter().map(|one| one.2).fold(f64::INFINITY, f64::min);
        list.sort_unstable_by_key(|one| one.0);
        let mut faded = Row::keeping(most);
        for (slot, weight, fading) in &*list {
            faded.add(*slot, *weight * (least - *fading).exp());
        }
        faded.renormalise();
        faded
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Joints along x, each with a radius of its own, and a place above the first: 1, √2 and √5 away.
    fn rows(size: f64, most: usize) -> Row {
        let at = |slot: u32, x: f64| Segment { slot, from: DVec3::X * x * size, to: DVec3::X * x * size };
        let segments = [at(0, 0.0), at(1, 1.0), at(1, 7.0), at(2, 2.0)];
        let radius = [1.0, 2.0, 0.5].map(|radius| radius * size);
        let mut heat = Row::keeping(MOST_KEPT);
        for (slot, weight) in [0.3, 0.5, 0.2].into_iter().enumerate() {
            heat.add(slot as u32, weight);
        }
        Fade { segments: &segments, radius: &radius }.row(&heat, DVec3::Y * size, most)
    }

    /// 0.3·e^−0.4, 0.5·e^(−0.4·√2/2) and 0.2·e^(−0.4·√5/0.5), over their sum (bc 1.07.1).
    #[test]
    fn weights_fade_with_the_distance_in_body_radii() {
        for size in [1.0, 1e-3, 1e4] {
            let row = rows(size, 4);
            for (slot, wanted) in [(1, 0.616_377), (0, 0.328_940), (2, 0.054_683)] {
                assert!((row.weight(slot) - wanted).abs() < 1e-6, "{row:?}");
            }
            let order: Vec<u32> = row.influences().map(|one| one.0).collect();
            assert_eq!(order, [1, 0, 2]);
            let two = rows(size, 2);
            assert_eq!(two.influences().len(), 2);
            assert!((two.weight(0) - 0.328_940 / (0.328_940 + 0.616_377)).abs() < 1e-6);
        }
    }
}
