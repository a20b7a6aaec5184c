//! How far skin is from the joint that owns it, in body radii.

use glam::DVec3;

use super::segments::Segment;
use super::{TrialBind, segments_of};

/// How far skin may lie behind an origin.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limit {
    /// Body radii.
    pub radii: f64,
    /// Skin counts as behind if the cosine of its angle to the way to the parent's origin is more.
    pub towards: f64,
}

impl Limit {
    /// Within 60° of the way to the parent: a crest or a heel that sticks out behind a joint and away from its parent moves whole
    /// with it, and nobody misses a joint there.
    pub const HELD: Self = Self { radii: 2.0, towards: 0.5 };
    /// Where the origin hangs free, nobody else holds what is behind it.
    pub const FREE: Self = Self { radii: 1.0, towards: 0.0 };

    /// Whether skin is too far behind.
    pub fn passed(&self, reach: &Reach) -> bool {
        reach.behind.is_some_and(|cosine| cosine > self.towards) && reach.ratio > self.radii
    }
}

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
    /// Where the nearest place of the owner is its origin: the cosine of the angle between the ways to the skin and to the parent's
    /// origin.
    pub behind: Option<f64>,
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
        let limits = self.limits();
        self.collect(|reach| {
            let limit = limits[reach.slot as usize];
            limit.passed(reach).then_some(limit.radii)
        })
    }

    /// For each bound joint the skin that is farther than `most` radii beyond its end.
    pub fn beyond(&self, most: f64) -> Vec<Beyond> {
        self.collect(|reach| (reach.beyond && reach.ratio > most).then_some(most))
    }

    /// For each bound joint how far skin may lie behind its origin.
    pub fn limits(&self) -> Vec<Limit> {
        limits(&self.segments, &self.radius, &self.above)
    }

    fn collect(&self, passed: impl Fn(&Reach) -> Option<f64>) -> Vec<Beyond> {
        let mut list = vec![Beyond::default(); self.joints.len()];
        for point in 0..self.graph.points.len() {
            if let Some(reach) = self.reach(point)
                && let Some(most) = passed(&reach)
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

/// Pairs of a joint and a segment up to which origins are looked at for what comes near them.
const MOST_PAIRS: usize = 20_000_000;

/// How far skin may lie behind the origin of each joint. It hangs free where a joint above deforms and yet no segment leads to it or
/// passes by.
pub(super) fn limits(segments: &[Segment], radius: &[f64], above: &[Option<Above>]) -> Vec<Limit> {
    let few = above.len().saturating_mul(segments.len()) <= MOST_PAIRS;
    let free = |slot: u32| {
        let near = APART * radius[slot as usize];
        segments_of(segments, slot).first().is_some_and(|own| {
            let others = segments.iter().filter(|other| other.slot != slot);
            others.map(|other| other.nearest(own.from).0.distance(own.from)).all(|apart| apart > near)
        })
    };
    let limit = |(slot, above): (u32, &Option<Above>)| {
        if few && above.is_some_and(|above| above.deforms) && free(slot) { Limit::FREE } else { Limit::HELD }
    };
    (0..).zip(above).map(limit).collect()
}

/// The reach of a joint to a place.
pub(super) fn reach(
    segments: &[Segment],
    radius: &[f64],
    above: &[Option<Above>],
    slot: u32,
    place: DVec3,
) -> Reach {
    let (mut distance, mut behind, mut beyond) = (f64::INFINITY, None, false);
    for segment in segments_of(segments, slot) {
        let (nearest, along) = segment.nearest(place);
        let apart = nearest.distance(place);
        if apart < distance {
            let origin = along == 0.0 && segment.from != segment.to;
            behind = above[slot as usize].filter(|_| origin).map(|above| {
                let (to, up) = (place - segment.from, above.origin - segment.from);
                to.dot(up) / (to.length() * up.length())
            });
            distance = apart;
            beyond = along == 1.0;
        }
    }
    Reach { slot, distance, ratio: distance / radius[slot as usize], behind, beyond }
}
