//! How far skin is from the joint that owns it, in body radii.

use glam::DVec3;

use super::segments::Segment;
use super::{TrialBind, segments_of};

/// Skin behind an origin is too far beyond so many body radii.
pub const BEHIND: f64 = 2.0;
/// … and beyond so many where the origin hangs free.
pub const FREE: f64 = 1.25;
/// An origin hangs free if no other joint's segment comes as near, body radii.
const APART: f64 = 0.5;

/// The joint above a bound one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Above {
    /// Its origin, metres.
    pub origin: DVec3,
    /// It or one farther up deforms.
    pub deforms: bool,
}

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

    /// For each bound joint the skin that is too far behind its origin. Skin beside a segment is not judged: a fin, an ear or a
    /// wing is wide and flat, and its radius the smaller one.
    pub fn behind(&self) -> Vec<Beyond> {
        let most = self.most_behind();
        self.collect(|reach| reach.behind.then(|| most[reach.slot as usize]))
    }

    /// For each bound joint the skin that is farther than `most` radii beyond its end.
    pub fn beyond(&self, most: f64) -> Vec<Beyond> {
        self.collect(|reach| reach.beyond.then_some(most))
    }

    /// For each bound joint how many radii behind its origin are too far.
    pub fn most_behind(&self) -> Vec<f64> {
        most_behind(&self.segments, &self.radius, &self.above)
    }

    fn collect(&self, most: impl Fn(&Reach) -> Option<f64>) -> Vec<Beyond> {
        let mut list = vec![Beyond::default(); self.joints.len()];
        for point in 0..self.graph.points.len() {
            if let Some(reach) = self.reach(point)
                && let Some(most) = most(&reach)
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

/// Pairs of a joint and a segment up to which origins are looked at for what comes near them.
const MOST_PAIRS: usize = 20_000_000;

/// How many radii behind the origin of each joint are too far. Where a joint above deforms and yet no segment leads to the origin, or
/// passes by it, nobody holds the skin between: there less is too much.
pub(super) fn most_behind(segments: &[Segment], radius: &[f64], above: &[Option<Above>]) -> Vec<f64> {
    let few = above.len().saturating_mul(segments.len()) <= MOST_PAIRS;
    let free = |slot: u32| {
        let near = APART * radius[slot as usize];
        segments_of(segments, slot).first().is_some_and(|own| {
            let others = segments.iter().filter(|other| other.slot != slot);
            others.map(|other| other.nearest(own.from).0.distance(own.from)).all(|apart| apart > near)
        })
    };
    let most = |(slot, above): (u32, &Option<Above>)| {
        if few && above.is_some_and(|above| above.deforms) && free(slot) { FREE } else { BEHIND }
    };
    (0..).zip(above).map(most).collect()
}

/// The reach of a joint to a place.
pub(super) fn reach(
    segments: &[Segment],
    radius: &[f64],
    above: &[Option<Above>],
    slot: u32,
    place: DVec3,
) -> Reach {
    let (mut distance, mut behind, mut beyond) = (f64::INFINITY, false, false);
    for segment in segments_of(segments, slot) {
        let (nearest, along) = segment.nearest(place);
        let apart = nearest.distance(place);
        if apart < distance {
            let back = above[slot as usize].is_some_and(|above| {
                let (to, up) = (place - segment.from, above.origin - segment.from);
                to.dot(up) > TOWARDS * to.length() * up.length()
            });
            distance = apart;
            behind = along == 0.0 && segment.from != segment.to && back;
            beyond = along == 1.0;
        }
    }
    Reach { slot, distance, ratio: distance / radius[slot as usize], behind, beyond }
}
