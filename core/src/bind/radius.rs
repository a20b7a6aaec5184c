//! The body radius of a joint: how thick the body is around its segments.
//!
//! Never measured at the joint itself: at the root of a limb the ring would go through the trunk.

use std::f64::consts::TAU;

use rayon::prelude::*;

use super::graph::Graph;
use super::segments::Segment;
use super::segments_of;
use super::sight::Sight;
use crate::body::Body;

/// Where along a segment the body is measured.
const PLACES: [f64; 5] = [0.2, 0.35, 0.5, 0.65, 0.8];
/// Rays at each place.
const RAYS: u32 = 16;
/// The least radius, fraction of S.
pub(super) const LEAST: f64 = 5e-3;

/// One radius per bound joint, metres.
pub(super) fn radii(
    graph: &Graph,
    segments: &[Segment],
    sights: &[Sight],
    joints: usize,
    body: Option<Body<'_>>,
    s: f64,
) -> Vec<f64> {
    let mut near: Vec<Vec<f64>> = vec![Vec::new(); joints];
    for (point, sight) in sights.iter().enumerate().filter(|(_, sight)| sight.distance.is_finite()) {
        for slot in sight.slots() {
            debug_assert!(point < graph.points.len(), "a sight per point");
            near[*slot as usize].push(sight.distance);
        }
    }
    near.par_iter_mut()
        .enumerate()
        .map(|(slot, near)| {
            let mut measured: Vec<f64> = segments_of(segments, slot as u32)
                .iter()
                .filter_map(|segment| body.and_then(|body| around(segment, body, s)))
                .collect();
            median(&mut measured).or_else(|| median(near)).unwrap_or(0.0).max(LEAST * s)
        })
        .collect()
}

/// How far the skin is from a segment's middle.
pub(super) fn around(segment: &Segment, body: Body<'_>, s: f64) -> Option<f64> {
    let along = (segment.to - segment.from).try_normalize()?;
    let u = along.any_orthonormal_vector();
    let v = along.cross(u);
    let mut measured = Vec::new();
    for place in PLACES {
        let from = segment.from.lerp(segment.to, place);
        if !body.holds(from) {
            continue;
        }
        let mut hits: Vec<f64> = (0..RAYS)
            .filter_map(|ray| {
                let (sin, cos) = (TAU * f64::from(ray) / f64::from(RAYS)).sin_cos();
                body.first_hit(from, u * cos + v * sin, s)
            })
            .collect();
        if hits.len() * 2 >= RAYS as usize {
            measured.extend(median(&mut hits));
        }
    }
    median(&mut measured)
}

/// The middle one; the mean of the two in the middle.
pub(super) fn median(list: &mut [f64]) -> Option<f64> {
    list.sort_by(f64::total_cmp);
    let middle = list.len() / 2;
    match list.len() {
        0 => None,
        odd if odd % 2 == 1 => Some(list[middle]),
        _ => Some(f64::midpoint(list[middle - 1], list[middle])),
    }
}
