//! Points near a place, by a grid in linear time.

use glam::DVec3;

use super::radix;

/// Points of one cell that are looked at.
const CROWD: usize = 256;

/// A grid over points.
#[derive(Debug)]
pub struct Near<'p> {
    points: &'p [DVec3],
    low: DVec3,
    cell: f64,
    order: Vec<u32>,
    /// Key and where its points begin.
    cells: Vec<(u64, u32)>,
}

impl<'p> Near<'p> {
    /// A grid for searches up to `radius` over points that are all finite.
    pub fn new(points: &'p [DVec3], radius: f64) -> Self {
        let (low, high) = points
            .iter()
            .fold((DVec3::INFINITY, DVec3::NEG_INFINITY), |(low, high), p| (low.min(*p), high.max(*p)));
        let extent = if points.is_empty() { 0.0 } else { (high - low).max_element() };
        let cell = (radius * 4.0).max(extent / f64::from(1 << 20)).max(f64::MIN_POSITIVE);
        let mut this = Self { points, low, cell, order: Vec::new(), cells: Vec::new() };
        let keys: Vec<u64> = points.iter().map(|p| pack(this.at(*p))).collect();
        this.order = radix::order(&keys, 63);
        for (place, index) in this.order.iter().enumerate() {
            let key = keys[*index as usize];
            if this.cells.last().is_none_or(|last| last.0 != key) {
                this.cells.push((key, place as u32));
            }
        }
        this
    }

    fn at(&self, place: DVec3) -> [i64; 3] {
        ((place - self.low) / self.cell).to_array().map(|side| (side as i64).clamp(0, 1 << 20) + 1)
    }

    /// The nearest point within `radius` of a place; equals by number.
    pub fn nearest(&self, place: DVec3, radius: f64) -> Option<u32> {
        if !place.is_finite() {
            return None;
        }
        let (from, to) = (self.at(place - radius), self.at(place + radius));
        let mut best: Option<(f64, u32)> = None;
        for x in from[0]..=to[0].min(from[0] + 2) {
            for y in from[1]..=to[1].min(from[1] + 2) {
                for z in from[2]..=to[2].min(from[2] + 2) {
                    let Ok(slot) = self.cells.binary_search_by_key(&pack([x, y, z]), |cell| cell.0) else {
                        continue;
                    };
                    let begin = self.cells[slot].1 as usize;
                    let end = self.cells.get(slot + 1).map_or(self.order.len(), |next| next.1 as usize);
                    for index in self.order[begin..end].iter().take(CROWD) {
                        let apart = self.points[*index as usize].distance(place);
                        if apart <= radius && best.is_none_or(|best| (apart, *index) < best) {
                            best = Some((apart, *index));
                        }
                    }
                }
            }
        }
        best.map(|(_, index)| index)
    }
}

fn pack(cell: [i64; 3]) -> u64 {
    (cell[0] as u64) << 42 | (cell[1] as u64) << 21 | cell[2] as u64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_nearest_is_found_across_cells() {
        let points = [DVec3::ZERO, DVec3::splat(0.0399), DVec3::new(1.0, 0.0, 0.0)];
        let near = Near::new(&points, 0.01);
        assert_eq!(near.nearest(DVec3::splat(0.0401), 0.01), Some(1));
        assert_eq!(near.nearest(DVec3::new(0.995, 0.0, 0.0), 0.01), Some(2));
        assert_eq!(near.nearest(DVec3::splat(0.5), 0.01), None);
    }
}
