//! What the body says of a parent: a limb hangs through flesh, so the straight way from a parent to its joint seldom leaves
//! the skin.
//!
//! A score loses [`OUTSIDE`] times the share of the way that lies outside, from the parent's segment (its origin where it has no
//! tip) to the joint's origin. How much that is worth is measured (`MEASURED.md`, "with the body").

use glam::DVec3;

use super::scene::Scene;
use super::skeleton::Decided;
use super::solve::Problem;
use crate::body::Body;

/// What a way all outside takes from a score.
const OUTSIDE: f64 = 1.5;
/// Places on a way that are looked at.
const PLACES: usize = 9;
/// Places that are looked at in all: where there are many ways each has fewer, and where there are more ways than that none has.
const MOST: usize = 40_000;

/// Per edge into an open joint from another joint: the share of its way that lies outside; nothing where there is no way.
pub(super) fn outside(scene: &Scene, problem: &Problem, body: Body<'_>) -> Vec<Option<f64>> {
    let ways: Vec<Option<(DVec3, DVec3)>> = problem
        .edges
        .iter()
        .map(|edge| {
            let (p, j) = (edge.from.checked_sub(1)?, edge.to - 1);
            let (from, to) = problem.of[j];
            let open = scene.items[j].decided == Decided::Open && to - from > 1;
            open.then(|| (start(scene, p, j), scene.items[j].at))
        })
        .collect();
    let count = ways.iter().flatten().count();
    let places = (MOST / count.max(1)).min(PLACES);
    if places == 0 {
        return vec![None; ways.len()];
    }
    let share = |(from, to): (DVec3, DVec3)| {
        let length = from.distance(to);
        if !(length.is_finite() && length > 1e-9 * scene.layout.size) {
            return None;
        }
        let at = |place: usize| from.lerp(to, place as f64 / (places + 1) as f64);
        let out = (1..=places).filter(|place| !body.holds(at(*place))).count();
        Some(out as f64 / places as f64)
    };
    ways.into_iter().map(|way| way.and_then(share)).collect()
}

/// The place of p's segment that is nearest to j.
fn start(scene: &Scene, p: usize, j: usize) -> DVec3 {
    let item = &scene.items[p];
    let (_, along) = scene.to_segment(p, j);
    item.tip.filter(|tip| tip.is_finite()).map_or(item.at, |tip| item.at.lerp(tip, along.clamp(0.0, 1.0)))
}

/// Takes from the scores what the body says against the edges.
pub(super) fn weigh(outside: &[Option<f64>], scores: &mut [f64]) {
    for (score, outside) in scores.iter_mut().zip(outside) {
        *score -= OUTSIDE * outside.unwrap_or(0.0);
    }
}

/// The reason in words, where the way stays inside and the runner-up's does not; shares of a way in per cent.
pub(super) fn reason(chosen: Option<f64>, other: Option<f64>) -> Option<String> {
    let (chosen, other) = (chosen?, other?);
    (chosen == 0.0 && other >= 0.25).then(|| {
        format!(
            "the straight way there stays inside the body; of the runner-up's {:.0} % lie outside",
            100.0 * other
        )
    })
}

#[cfg(test)]
mod tests {
    use super::super::skeleton::Item;
    use super::super::solve::{RootRule, problem};
    use super::*;
    use crate::body::{Solid, Soup};

    /// A box of one metre, and two joints: in its middle, and two metres above that. The nine places between them lie at 0.7,
    /// 0.9, 1.1 … 2.3 m: seven are outside.
    #[test]
    fn the_way_is_looked_at_in_nine_places() {
        let corner = |k: usize| DVec3::new((k & 1) as f64, (k >> 1 & 1) as f64, (k >> 2 & 1) as f64);
        let positions: Vec<DVec3> = (0..8).map(corner).collect();
        let quads = [[0, 2, 3, 1], [4, 5, 7, 6], [0, 1, 5, 4], [2, 6, 7, 3], [0, 4, 6, 2], [1, 3, 7, 5]];
        let triangles: Vec<[u32; 3]> =
            quads.iter().flat_map(|q| [[q[0], q[1], q[2]], [q[0], q[2], q[3]]]).collect();
        let soup = Soup { positions: &positions, triangles: &triangles };
        let solid = Solid::new(soup);
        let body = Body { soup, solid: &solid };
        let mut items = [0.5, 2.5].map(|z| Item::new(None, DVec3::new(0.5, 0.5, z))).to_vec();
        let told = |items: &[Item]| {
            let scene = Scene::new(items.to_vec());
            let problem = problem(&scene, &RootRule::One, |_| None);
            let outside = outside(&scene, &problem, body);
            let edge = problem.edges.iter().position(|edge| (edge.from, edge.to) == (1, 2));
            edge.and_then(|edge| outside[edge])
        };
        assert_eq!(told(&items), Some(7.0 / 9.0));
        // From a tip at 2 m the way is half a metre, all outside; what is decided is not asked about.
        items[0].tip = Some(DVec3::new(0.5, 0.5, 2.0));
        assert_eq!(told(&items), Some(1.0));
        items[1].decided = Decided::Under(0);
        assert_eq!(told(&items), None);
    }

    #[test]
    fn a_reason_is_given_where_the_body_tells_the_two_apart() {
        assert!(reason(Some(0.0), Some(0.5)).is_some_and(|text| text.contains("50 %")));
        assert_eq!(reason(Some(0.0), Some(0.1)), None);
        assert_eq!(reason(Some(0.3), Some(0.9)), None);
        assert_eq!(reason(None, Some(0.9)), None);
    }

    #[test]
    fn all_outside_takes_most() {
        let mut scores = [1.0; 3];
        weigh(&[None, Some(0.0), Some(1.0)], &mut scores);
        assert_eq!(scores, [1.0, 1.0, 1.0 - OUTSIDE]);
    }
}
