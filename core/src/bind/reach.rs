//! How far skin is from the joint that owns it, in body radii.

use glam::DVec3;

use super::segments::Segment;
use super::{TrialBind, segments_of};

/// Skin and the joint that owns it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reach {
    /// The owner.
    pub slot: u32,
    /// Metres to its nearest segment.
    pub distance: f64,
    /// In body radii of the owner.
    pub ratio: f64,
    /// The nearest place of the owner is its origin, and the skin lies towards its parent.
    pub behind: bool,
    /// The nearest place of the owner is an end of its own: the skin lies beyond it.
    pub beyond: bool,
}

/// Skin beyond some reach.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Beyond {
    /// Square metres.
    pub area: f64,
    /// Area times the reach beyond the limit, square metres.
    pub excess: f64,
    /// The farthest, metres.
    pub distance: f64,
    /// The farthest, in body radii.
    pub ratio: f64,
}

impl TrialBind {
    /// The reach of a point's owner; nothing for skin that moves rigidly or on shells that see no segment.
    pub fn reach(&self, point: usize) -> Option<Reach> {
        let shell = &self.shells[self.graph.shell_of[point] as usize];
        if shell.rigid.is_some() || shell.seen == 0.0 {
            return None;
        }
        let slot = self.rows[point].dominant()?;
        Some(reach(&self.segments, &self.radius, &self.above, slot, self.graph.points[point]))
    }

    /// For each bound joint the skin farther than `most` radii, behind its origin or beyond its end. Skin beside a segment
    /// is not judged: a fin, an ear or a wing is wide and flat, and its radius the smaller one.
    pub fn beyond(&self, most: f64, behind: bool) -> Vec<Beyond> {
        let mut list = vec![Beyond::default(); self.joints.len()];
        for point in 0..self.graph.points.len() {
            if let Some(reach) = self.reach(point)
                && (if behind { reach.behind } else { reach.beyond })
                && reach.ratio > most
            {
                list[reach.slot as usize].add(reach, self.graph.mass[point], most);
            }
        }
        list
    }
}

impl Beyond {
    pub(super) fn add(&mut self, reach: Reach, area: f64, most: f64) {
        self.area += area;
        self.excess += area * (reach.ratio - most);
        self.distance = self.distance.max(reach.distance);
        self.ratio = self.ratio.max(reach.ratio);
    }
}

/// Towards the parent: within 60° of the way to its origin. A crest or a heel that sticks out behind a joint and away from
/// its parent moves whole with it, and nobody misses a joint there.
const TOWARDS: f64 = 0.5;

/// The reach of a joint to a place; `above` holds the origins of the parents.
pub(super) fn reach(
    segments: &[Segment],
    radius: &[f64],
    above: &[Option<DVec3>],
    slot: u32,
    place: DVec3,
) -> Reach {
    let (mut distance, mut behind, mut beyond) = (f64::INFINITY, false, false);
    for segment in segments_of(segments, slot) {
        let (nearest, along) = segment.nearest(place);
        let apart = nearest.distance(place);
        if apart < distance {
            let back = above[slot as usize].is_some_and(|above| {
                let (to, up) = (place - segment.from, above - segment.from);
                to.dot(up) > TOWARDS * to.length() * up.length()
            });
            distance = apart;
            behind = along == 0.0 && segment.from != segment.to && back;
            beyond = along == 1.0;
        }
    }
    Reach { slot, distance, ratio: distance / radius[slot as usize], behind, beyond }
}
