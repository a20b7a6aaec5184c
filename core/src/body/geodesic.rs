//! Distance along the surface, over edges, as far as asked.

use std::cmp::Reverse;
use std::collections::{BTreeMap, BinaryHeap};

use super::surface::Surface;

/// Points visited by one search.
const MOST: usize = 50_000;

/// A search's end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Walk {
    /// Reached, metres along edges.
    Reached(f64),
    /// Nothing within the distance asked.
    Beyond,
    /// Too much surface to walk over.
    Unknown,
}

/// The way from any of `from` to the first point that `wanted` accepts, not longer than `most` metres. `left` is how many
/// points this search and those after it may visit.
pub fn walk(
    surface: &Surface,
    from: &[u32],
    most: f64,
    left: &mut usize,
    wanted: impl Fn(u32) -> bool,
) -> Walk {
    // The order of distances that are not negative is the order of their bits.
    let mut open: BinaryHeap<Reverse<(u64, u32)>> = from.iter().map(|point| Reverse((0, *point))).collect();
    let mut best: BTreeMap<u32, u64> = from.iter().map(|point| (*point, 0)).collect();
    let mut visited = 0;
    while let Some(Reverse((bits, point))) = open.pop() {
        if best.get(&point).is_some_and(|known| *known < bits) {
            continue;
        }
        if wanted(point) {
            return Walk::Reached(f64::from_bits(bits));
        }
        visited += 1;
        if visited > MOST || *left == 0 {
            return Walk::Unknown;
        }
        *left -= 1;
        for next in surface.edges().neighbours(point) {
            let step = surface.points[point as usize].distance(surface.points[*next as usize]);
            let way = f64::from_bits(bits) + step;
            if way <= most && best.get(next).is_none_or(|known| way.to_bits() < *known) {
                best.insert(*next, way.to_bits());
                open.push(Reverse((way.to_bits(), *next)));
            }
        }
    }
    Walk::Beyond
}
