//! The nearest of many points.

use glam::DVec3;

/// Points compared over all searches: beyond, there is no answer.
const MOST_COMPARED: u64 = 400_000_000;

/// Points in cells of a uniform grid.
pub(super) struct Grid {
    low: DVec3,
    pitch: f64,
    cells: [i64; 3],
    first: Vec<u32>,
    order: Vec<u32>,
    points: Vec<DVec3>,
    left: std::cell::Cell<u64>,
}

impl Grid {
    /// Over points; those that are not finite are never found.
    pub(super) fn new(points: Vec<DVec3>) -> Self {
        let (mut low, mut high) = (DVec3::INFINITY, DVec3::NEG_INFINITY);
        let finite: Vec<u32> =
            (0..points.len() as u32).filter(|at| points[*at as usize].is_finite()).collect();
        for at in &finite {
            low = low.min(points[*at as usize]);
            high = high.max(points[*at as usize]);
        }
        if finite.is_empty() {
            (low, high) = (DVec3::ZERO, DVec3::ZERO);
        }
        // About two points to a cell of a surface.
        let side = ((finite.len() as f64 / 2.0).sqrt().ceil() as i64).clamp(1, 128);
        let extent = (high - low).max_element();
        let pitch = if extent > 0.0 && extent.is_finite() { extent / side as f64 } else { 1.0 };
        let cells = ((high - low) / pitch).to_array().map(|n| (n.floor() as i64).clamp(0, 128) + 1);
        let mut grid = Self {
            low,
            pitch,
            cells,
            first: Vec::new(),
            order: Vec::new(),
            points,
            left: std::cell::Cell::new(MOST_COMPARED),
        };
        let mut keyed: Vec<(u32, u32)> =
            finite.into_iter().map(|at| (grid.key(grid.cell(grid.points[at as usize])), at)).collect();
        keyed.sort_unstable();
        grid.first = vec![0; (cells[0] * cells[1] * cells[2]) as usize + 1];
        for (key, _) in &keyed {
            grid.first[*key as usize + 1] += 1;
        }
        for at in 1..grid.first.len() {
            grid.first[at] += grid.first[at - 1];
        }
        grid.order = keyed.into_iter().map(|(_, at)| at).collect();
        grid
    }

    fn cell(&self, point: DVec3) -> [i64; 3] {
        let at = ((point - self.low) / self.pitch).to_array();
        std::array::from_fn(|axis| (at[axis].floor() as i64).clamp(0, self.cells[axis] - 1))
    }

    fn key(&self, cell: [i64; 3]) -> u32 {
        ((cell[2] * self.cells[1] + cell[1]) * self.cells[0] + cell[0]) as u32
    }

    /// The nearest point within `most`, and how far it is.
    pub(super) fn nearest(&self, point: DVec3, most: f64) -> Option<(usize, f64)> {
        if !point.is_finite() {
            return None;
        }
        let centre = self.cell(point);
        // A point outside the grid is as far from its nearest cell as it is outside.
        let inside = point.clamp(self.low, self.low + DVec3::from(self.cells.map(|n| n as f64)) * self.pitch);
        let outside = point.distance(inside);
        let mut best: Option<(f64, u32)> = None;
        let rings = self.cells.into_iter().max().unwrap_or(1);
        for ring in 0..=rings {
            let reach = ((ring - 1).max(0) as f64 * self.pitch).max(outside - self.pitch);
            if best.is_some_and(|(distance, _)| distance <= reach) || reach > most {
                break;
            }
            for z in (centre[2] - ring).max(0)..=(centre[2] + ring).min(self.cells[2] - 1) {
                for y in (centre[1] - ring).max(0)..=(centre[1] + ring).min(self.cells[1] - 1) {
                    let edge = (z - centre[2]).abs() == ring || (y - centre[1]).abs() == ring;
                    let step = if edge { 1 } else { (2 * ring).max(1) };
                    let mut x = centre[0] - ring;
                    while x <= centre[0] + ring {
                        if (0..self.cells[0]).contains(&x) {
                            self.look([x, y, z], point, &mut best);
                        }
                        x += step;
                    }
                }
            }
            if self.left.get() == 0 {
                return None;
            }
        }
        best.filter(|(distance, _)| *distance <= most).map(|(distance, at)| (at as usize, distance))
    }

    fn look(&self, cell: [i64; 3], point: DVec3, best: &mut Option<(f64, u32)>) {
        let key = self.key(cell) as usize;
        let (from, to) = (self.first[key] as usize, self.first[key + 1] as usize);
        self.left.set(self.left.get().saturating_sub((to - from) as u64 + 1));
        for at in &self.order[from..to] {
            let distance = self.points[*at as usize].distance(point);
            if best
                .is_none_or(|(nearest, before)| distance < nearest || (distance <= nearest && *at < before))
            {
                *best = Some((distance, *at));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against looking at every point.
    #[test]
    fn the_nearest_point_is_the_nearest_point() {
        let mut seed = 7_u64;
        let mut next = || {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (seed >> 40) as f64 / f64::from(1 << 24) * 4.0 - 2.0
        };
        let points: Vec<DVec3> = (0..500).map(|_| DVec3::new(next(), next() * 0.1, next())).collect();
        let grid = Grid::new(points.clone());
        for _ in 0..300 {
            let point = DVec3::new(next(), next(), next()) * 1.5;
            let expected = points.iter().map(|p| p.distance(point)).fold(f64::MAX, f64::min);
            let found = grid.nearest(point, f64::MAX).map_or(f64::NAN, |(_, distance)| distance);
            assert!((found - expected).abs() < 1e-12, "{found} {expected}");
        }
        assert!(grid.nearest(DVec3::splat(9.0), 1.0).is_none());
    }
}
