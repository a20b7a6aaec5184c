//! The outline of covered cells as closed lines, simplified to what can be seen.

use super::raster::Grid;

/// Points between two splits: bounds what the simplification of a hostile outline costs.
const CHUNK: usize = 1_024;
/// Less than half a cell: what keeps both sides of a line of single cells.
const THIN: f64 = 0.4;
/// Points of one outline.
const MOST_POINTS: usize = 6_000;

/// A closed line: metres on the paper, counter-clockwise around the body, clockwise around a hole.
pub(super) type Loop = Vec<[f64; 2]>;

/// The outline. Nothing of it is farther than `tolerance` from the cells' own (more where that would be too many points),
/// and what is smaller than `least` is left out; both metres.
pub(super) fn trace(grid: &Grid, tolerance: f64, least: f64) -> Vec<Loop> {
    let rough = loops(grid);
    let mut tolerance = tolerance;
    loop {
        let mut out: Vec<Loop> = rough
            .iter()
            .map(|line| shape(line, tolerance / grid.cell))
            .map(|line| line.into_iter().map(|p| [0, 1].map(|a| grid.low[a] + p[a] * grid.cell)).collect())
            .filter(|line: &Loop| line.len() >= 3 && extent(line) >= least)
            .collect();
        let points: usize = out.iter().map(Vec::len).sum();
        if points <= MOST_POINTS {
            return out;
        }
        if out.iter().all(|line| line.len() <= 4) || tolerance > 64.0 * grid.cell {
            out.sort_by(|a, b| extent(b).total_cmp(&extent(a)));
            let mut left = MOST_POINTS;
            out.retain(|line| {
                let fits = line.len() <= left;
                left -= if fits { line.len() } else { 0 };
                fits
            });
            return out;
        }
        tolerance *= 1.5;
    }
}

/// The larger side of a line's box.
fn extent(line: &[[f64; 2]]) -> f64 {
    let side = |axis: usize| {
        let along = line.iter().map(|p| p[axis]);
        along.clone().fold(f64::NEG_INFINITY, f64::max) - along.fold(f64::INFINITY, f64::min)
    };
    side(0).max(side(1))
}

/// Right, up, left, down.
const STEPS: [(isize, isize); 4] = [(1, 0), (0, 1), (-1, 0), (0, -1)];

/// Walks along the cracks between covered and free cells, the body at the left hand, through the middle of each side.
fn loops(grid: &Grid) -> Vec<Loop> {
    let (columns, rows) = (grid.columns as isize, grid.rows as isize);
    // A side is told by the lattice point that it begins at and its direction.
    let mut begun = vec![0_u8; (grid.columns + 1) * (grid.rows + 1)];
    let at = |x: isize, y: isize| (y * (columns + 1) + x) as usize;
    for row in 0..rows {
        for column in 0..columns {
            if !grid.at(column, row) {
                continue;
            }
            for (free, x, y, direction) in [
                (!grid.at(column, row - 1), column, row, 0),
                (!grid.at(column + 1, row), column + 1, row, 1),
                (!grid.at(column, row + 1), column + 1, row + 1, 2),
                (!grid.at(column - 1, row), column, row + 1, 3),
            ] {
                if free {
                    begun[at(x, y)] |= 1 << direction;
                }
            }
        }
    }
    let mut out = Vec::new();
    for row in 0..=rows {
        for column in 0..=columns {
            while begun[at(column, row)] != 0 {
                let mut direction = begun[at(column, row)].trailing_zeros() as usize;
                let (mut x, mut y) = (column, row);
                let mut line = Loop::new();
                while begun[at(x, y)] & (1 << direction) != 0 {
                    begun[at(x, y)] &= !(1 << direction);
                    let (dx, dy) = STEPS[direction];
                    line.push([x as f64 + dx as f64 / 2.0, y as f64 + dy as f64 / 2.0]);
                    (x, y) = (x + dx, y + dy);
                    // Where two cells touch at a corner, each keeps to itself: left before straight before right.
                    let next = [(direction + 1) % 4, direction, (direction + 3) % 4];
                    match next.into_iter().find(|next| begun[at(x, y)] & (1 << next) != 0) {
                        Some(next) => direction = next,
                        None => break,
                    }
                }
                out.push(line);
            }
        }
    }
    out
}

/// The simplified line; what is as thin as a cell would fall together to a stretch, and keeps its width.
fn shape(line: &[[f64; 2]], tolerance: f64) -> Loop {
    let simple = simplified(line, tolerance);
    if simple.len() >= 3 { simple } else { simplified(line, tolerance.min(THIN)) }
}

/// Ramer 1972, Douglas and Peucker 1973, on a closed line in chunks.
fn simplified(line: &[[f64; 2]], tolerance: f64) -> Loop {
    let Some(first) = line.first() else { return Loop::new() };
    let far = |from: [f64; 2]| {
        let away = |p: &[f64; 2]| (p[0] - from[0]).powi(2) + (p[1] - from[1]).powi(2);
        let mut best = (0, -1.0);
        for (index, point) in line.iter().enumerate() {
            if away(point) > best.1 {
                best = (index, away(point));
            }
        }
        best.0
    };
    // Both ends of a longest chord stay, wherever the walk happened to begin.
    let start = far(*first);
    let mut ring = line.to_vec();
    ring.rotate_left(start);
    let opposite = (far(ring[0]) + line.len() - start) % line.len();
    ring.push(ring[0]);
    let mut keep = vec![false; ring.len()];
    let mut stack = Vec::new();
    for (from, to) in [(0, opposite), (opposite, ring.len() - 1)] {
        let mut at = from;
        while at < to {
            let end = (at + CHUNK).min(to);
            stack.push((at, end));
            (keep[at], keep[end]) = (true, true);
            at = end;
        }
    }
    while let Some((from, to)) = stack.pop() {
        let (a, b) = (ring[from], ring[to]);
        let mut worst = (from, tolerance);
        for (index, point) in ring.iter().enumerate().take(to).skip(from + 1) {
            let away = apart(*point, a, b);
            if away > worst.1 {
                worst = (index, away);
            }
        }
        if worst.0 > from {
            keep[worst.0] = true;
            stack.push((from, worst.0));
            stack.push((worst.0, to));
        }
    }
    let last = ring.len() - 1;
    ring.into_iter().zip(keep).take(last).filter(|(_, kept)| *kept).map(|(point, _)| point).collect()
}

/// Distance of a point from a stretch.
fn apart(p: [f64; 2], a: [f64; 2], b: [f64; 2]) -> f64 {
    let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
    let length = dx * dx + dy * dy;
    let along = if length > 0.0 { ((p[0] - a[0]) * dx + (p[1] - a[1]) * dy) / length } else { 0.0 };
    let along = along.clamp(0.0, 1.0);
    (p[0] - a[0] - along * dx).hypot(p[1] - a[1] - along * dy)
}

/// The area inside, holes taken off; square metres.
#[cfg(test)]
pub(super) fn area(lines: &[Loop]) -> f64 {
    let one = |line: &Loop| {
        let pairs = line.iter().zip(line.iter().cycle().skip(1));
        pairs.map(|(a, b)| a[0] * b[1] - b[0] * a[1]).sum::<f64>() / 2.0
    };
    lines.iter().map(one).sum()
}

#[cfg(test)]
mod tests {
    use super::super::raster::rasterise;
    use super::*;

    fn disc(sides: u32, radius: f64, centre: [f64; 2]) -> Vec<[f64; 2]> {
        let angle = |k: u32| std::f64::consts::TAU * f64::from(k) / f64::from(sides);
        let rim =
            (0..sides).map(|k| [centre[0] + radius * angle(k).cos(), centre[1] + radius * angle(k).sin()]);
        std::iter::once(centre).chain(rim).collect()
    }

    #[test]
    fn the_outline_of_a_disc_has_its_area_and_few_points() {
        let points = disc(200, 1.0, [0.0, 0.0]);
        let fan: Vec<[u32; 3]> = (0..200).map(|k| [0, 1 + k, 1 + (k + 1) % 200]).collect();
        let grid = rasterise(([-1.0; 2], [1.0; 2]), 2.0 / 600.0, &fan, |p| points[p as usize]);
        let lines = trace(&grid, 0.8 * grid.cell, 2.0 * grid.cell);
        assert_eq!(lines.len(), 1);
        // A regular polygon of 200 sides: 100 sin(2π / 200).
        let wanted = 100.0 * (std::f64::consts::TAU / 200.0).sin();
        assert!((area(&lines) / wanted - 1.0).abs() < 2e-3, "{} against {wanted}", area(&lines));
        assert!(lines[0].len() < 120, "{}", lines[0].len());
    }

    #[test]
    fn a_hole_runs_the_other_way_and_cells_at_a_corner_stay_two() {
        let mut filled = vec![false; 100];
        for (x, y) in [(1, 1), (2, 1), (3, 1), (1, 2), (3, 2), (1, 3), (2, 3), (3, 3), (4, 4)] {
            filled[y * 10 + x] = true;
        }
        let grid = Grid { columns: 10, rows: 10, cell: 1.0, low: [0.0; 2], filled };
        let lines = loops(&grid);
        assert_eq!(lines.len(), 3, "a ring has two, and the cell at its corner one of its own");
        let inner = lines.iter().filter(|line| area(&[(*line).clone()]) < 0.0).count();
        assert_eq!(inner, 1);
    }

    #[test]
    fn noise_is_bounded() {
        let filled: Vec<bool> =
            (0..250_000_u64).map(|k| (k.wrapping_mul(2_654_435_761) >> 13) & 1 == 1).collect();
        let grid = Grid { columns: 500, rows: 500, cell: 1.0, low: [0.0; 2], filled };
        let points: usize = trace(&grid, 0.8, 0.0).iter().map(Vec::len).sum();
        assert!(points <= MOST_POINTS, "{points}");
    }
}
