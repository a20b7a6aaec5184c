//! Which segment each point of the skin belongs to: the nearest one, where those that it does not see from inside the body
//! count as farther away.
//!
//! Inside is told by the winding number, which survives holes and overlapping shells. Only the nearest few segments are
//! tried. Leaving out what is not seen, so that skin under other layers is held by nothing but its neighbours, agrees less
//! well with artists: mean L1 0.519 against 0.491 on 70 real bodies, the same joint strongest on 74.1 against 75.3 %.

use glam::DVec3;
use rayon::prelude::*;

use super::Refusal;
use super::graph::Graph;
use super::segments::Segment;
use super::steps::Steps;
use crate::body::Body;

/// Segments that a point tries to see.
pub(super) const TRIED: usize = 8;
/// Places along a line of sight.
const SAMPLES: u32 = 10;
/// The first and the last place, shares of the way to the segment: at the skin itself, inside means nothing.
const SPAN: (f64, f64) = (0.1, 0.95);
/// A segment that is not seen counts as so many times as far, and as once more that far where all of the way lies outside.
const HIDDEN: f64 = 1.5;
/// Segments that are nearest within this share are equally near.
const TIE: f64 = 1e-3;
/// Distances below are taken as this, fraction of S.
const NEAREST: f64 = 1e-3;
/// Points that are looked at between two signs of life.
const BATCH: usize = 1_024;

/// What a point of the skin belongs to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sight {
    /// The bound joints of the nearest segments, ascending; the first `count` are meant.
    slots: [u32; TRIED],
    count: u8,
    /// A segment is seen.
    pub seen: bool,
    /// The one that the point belongs to is seen.
    pub held: bool,
    /// Distance to the segment, metres, as much more as it counts where it is not seen; infinite where there is none.
    pub distance: f64,
}

impl Sight {
    const NOTHING: Self =
        Self { slots: [0; TRIED], count: 0, seen: false, held: false, distance: f64::INFINITY };

    /// The joints that share the point.
    pub fn slots(&self) -> &[u32] {
        &self.slots[..usize::from(self.count)]
    }

    /// What holds a point to its joints: 1/d², 1/m²; nothing where none is taken.
    pub fn pull(&self, s: f64) -> f64 {
        let distance = self.distance.max(NEAREST * s);
        if distance.is_finite() { 1.0 / (distance * distance) } else { 0.0 }
    }

    /// Notes another joint that is as near.
    fn add(&mut self, slot: u32) {
        if let Err(place) = self.slots().binary_search(&slot)
            && usize::from(self.count) < TRIED
        {
            self.slots.copy_within(place..usize::from(self.count), place + 1);
            self.slots[place] = slot;
            self.count += 1;
        }
    }
}

/// The nearest segments of a point: distance and number, ascending; equals by number.
struct Nearest {
    list: [(f64, u32); TRIED],
    count: usize,
}

fn nearest(segments: &[Segment], point: DVec3) -> Nearest {
    let mut near = Nearest { list: [(f64::INFINITY, 0); TRIED], count: 0 };
    for (number, segment) in segments.iter().enumerate() {
        let squared = segment.nearest(point).0.distance_squared(point);
        if near.count == TRIED && squared >= near.list[TRIED - 1].0 {
            continue;
        }
        let place = near.list[..near.count].partition_point(|one| one.0 <= squared);
        near.count = (near.count + 1).min(TRIED);
        near.list.copy_within(place..near.count - 1, place + 1);
        near.list[place] = (squared, number as u32);
    }
    for one in &mut near.list {
        one.0 = one.0.sqrt();
    }
    near
}

/// Whether the way from the skin to a place inside is inside all along. Where it crosses no skin, inside can only be lost
/// slowly, towards a hole: its ends and its middle tell.
fn sees(body: Body<'_>, point: DVec3, place: DVec3) -> bool {
    let inside = |sample: u32| {
        let share = SPAN.0 + (SPAN.1 - SPAN.0) * f64::from(sample) / f64::from(SAMPLES - 1);
        body.holds(point.lerp(place, share))
    };
    if !inside(SAMPLES - 1) {
        return false;
    }
    let (first, last) = (point.lerp(place, SPAN.0), point.lerp(place, SPAN.1));
    if body.first_hit(first, last - first, 1.0).is_none() {
        inside(0) && inside(SAMPLES / 2)
    } else {
        (0..SAMPLES - 1).all(inside)
    }
}

/// By how much a segment counts as farther: once where the way to it is inside all along.
fn hidden(body: Body<'_>, point: DVec3, place: DVec3) -> f64 {
    if sees(body, point, place) {
        return 1.0;
    }
    let inside = |sample: &u32| {
        let share = SPAN.0 + (SPAN.1 - SPAN.0) * f64::from(*sample) / f64::from(SAMPLES - 1);
        body.holds(point.lerp(place, share))
    };
    let outside = (0..SAMPLES).filter(|sample| !inside(sample)).count();
    HIDDEN + outside as f64 / f64::from(SAMPLES)
}

fn look(segments: &[Segment], body: Body<'_>, point: DVec3) -> Sight {
    let near = nearest(segments, point);
    // By number in the list: how far it counts, and whether it is seen.
    let mut counts = [(f64::INFINITY, false); TRIED];
    let (mut best, mut seen) = (f64::INFINITY, false);
    // Segments that meet in one place are seen together.
    let mut known: Option<(DVec3, f64)> = None;
    for ((distance, number), count) in near.list[..near.count].iter().zip(&mut counts) {
        let place = segments[*number as usize].nearest(point).0;
        if *distance > best * (1.0 + TIE) {
            // Too far to belong to; whether anything is seen at all is asked on.
            seen = seen || sees(body, point, place);
            if seen {
                break;
            }
            continue;
        }
        let times = match known {
            Some((at, times)) if at == place => times,
            _ => hidden(body, point, place),
        };
        known = Some((place, times));
        *count = (distance * times, times == 1.0);
        seen |= count.1;
        best = best.min(count.0);
    }
    let mut sight = Sight { distance: best, seen, ..Sight::NOTHING };
    for ((_, number), (distance, held)) in near.list[..near.count].iter().zip(counts) {
        if distance <= best * (1.0 + TIE) {
            sight.held |= held;
            sight.add(segments[*number as usize].slot);
        }
    }
    sight
}

/// The nearest segments, seen or not.
fn blind(segments: &[Segment], point: DVec3) -> Sight {
    let near = nearest(segments, point);
    let mut sight = Sight { distance: near.list[0].0, ..Sight::NOTHING };
    for (_, number) in near.list[..near.count].iter().filter(|one| one.0 <= near.list[0].0 * (1.0 + TIE)) {
        sight.add(segments[*number as usize].slot);
    }
    sight
}

/// What every point sees. A shell of which no point sees anything takes the nearest segments instead.
pub(super) fn sights(
    graph: &Graph,
    segments: &[Segment],
    body: Option<Body<'_>>,
    steps: &Steps<'_>,
) -> Result<Vec<Sight>, Refusal> {
    let mut sights = vec![Sight::NOTHING; graph.points.len()];
    sights.par_chunks_mut(BATCH).zip(graph.points.par_chunks(BATCH)).try_for_each(|(sights, points)| {
        for (sight, point) in sights.iter_mut().zip(points) {
            if let Some(body) = body {
                *sight = look(segments, body, *point);
            }
        }
        steps.more(points.len())
    })?;
    settle(graph, segments, &mut sights);
    Ok(sights)
}

fn settle(graph: &Graph, segments: &[Segment], sights: &mut [Sight]) {
    for shell in &graph.shells {
        let sights = &mut sights[shell.range()];
        if !sights.iter().any(|sight| sight.seen) {
            sights
                .par_iter_mut()
                .zip(&graph.points[shell.range()])
                .for_each(|(sight, point)| *sight = blind(segments, *point));
        }
    }
}

/// What every point sees now that the last segment is new. A point that is nearer to what it saw before still sees that.
pub(super) fn again(graph: &Graph, segments: &[Segment], body: Body<'_>, before: &[Sight]) -> Vec<Sight> {
    let Some(new) = segments.last() else { return before.to_vec() };
    let mut sights: Vec<Sight> = before
        .par_iter()
        .zip(&graph.points)
        .map(|(old, point)| {
            let nearer = new.nearest(*point).0.distance(*point) <= old.distance * (1.0 + TIE);
            if old.seen && !nearer { *old } else { look(segments, body, *point) }
        })
        .collect();
    settle(graph, segments, &mut sights);
    sights
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_nearest_come_first_and_equals_by_number() {
        let at = |x: f64, slot: u32| Segment { slot, from: DVec3::X * x, to: DVec3::X * x };
        let segments: Vec<Segment> = (0..12).map(|n| at(f64::from((n * 5) % 12), n)).collect();
        let near = nearest(&segments, DVec3::ZERO);
        let found: Vec<f64> = near.list[..near.count].iter().map(|one| one.0).collect();
        assert_eq!(found, [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0]);
        let twice = [at(2.0, 3), at(2.0, 1), at(2.0, 3)];
        assert_eq!(blind(&twice, DVec3::ZERO).slots(), [1, 3]);
    }
}
