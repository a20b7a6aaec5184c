//! A silhouette as cells: which of them a body covers when it is looked at along an axis.
//!
//! A cell belongs to the body where its centre lies in a triangle. What is thinner than a cell, an antenna or a sheet
//! seen from its edge, is followed along its triangles' longest sides. A triangle costs as many steps as it has rows, or
//! columns where it is lower than a cell, never as many as it has cells.

/// Steps of all triangles together that one silhouette may cost; a heap of large triangles is drawn on fewer cells.
const MOST_STEPS: f64 = 1e8;
/// Cells along the shorter side at the least.
const LEAST: f64 = 32.0;

/// Cells, row by row from the lowest.
#[derive(Debug)]
pub(super) struct Grid {
    pub(super) columns: usize,
    pub(super) rows: usize,
    /// Metres per cell.
    pub(super) cell: f64,
    /// The lower left corner of cell 0, metres on the paper.
    pub(super) low: [f64; 2],
    pub(super) filled: Vec<bool>,
}

impl Grid {
    pub(super) fn at(&self, column: isize, row: isize) -> bool {
        let inside = (0..self.columns as isize).contains(&column) && (0..self.rows as isize).contains(&row);
        inside && self.filled[row as usize * self.columns + column as usize]
    }
}

/// The cells that triangles cover. All corners are finite and lie in the frame; `cell` may be coarsened.
pub(super) fn rasterise(
    frame: ([f64; 2], [f64; 2]),
    cell: f64,
    triangles: &[[u32; 3]],
    point: impl Fn(u32) -> [f64; 2],
) -> Grid {
    let (low, high) = frame;
    let corners = |triangle: &[u32; 3]| triangle.map(&point);
    let steps: f64 = triangles
        .iter()
        .map(|triangle| {
            let corners = corners(triangle);
            let extent = |axis: usize| {
                let [a, b, c] = corners.map(|p| p[axis]);
                (a.max(b).max(c) - a.min(b).min(c)) / cell
            };
            // Those that cover no cell's centre are followed along their longest side; the others are no thinner than that.
            extent(1) + if thin(corners, cell) { extent(0) } else { 0.0 }
        })
        .sum();
    let extent = (high[0] - low[0]).max(high[1] - low[1]);
    let cell = cell * (steps / MOST_STEPS).clamp(1.0, (extent / cell / LEAST).max(1.0));
    // A cell of air on every side, so that every outline is closed.
    let low = [low[0] - 1.5 * cell, low[1] - 1.5 * cell];
    let count = |axis: usize| ((high[axis] - low[axis]) / cell).ceil() as usize + 3;
    let (columns, rows) = (count(0), count(1));
    let mut painter = Painter {
        columns,
        rows,
        changes: vec![0; (columns + 1) * rows],
        touched: vec![false; columns * rows],
    };
    for triangle in triangles {
        painter.triangle(corners(triangle).map(|p| [(p[0] - low[0]) / cell, (p[1] - low[1]) / cell]));
    }
    Grid { columns, rows, cell, low, filled: painter.finish() }
}

/// Whether a triangle may cover no cell's centre: its height above its longest side is below two cells.
fn thin(corners: [[f64; 2]; 3], cell: f64) -> bool {
    let side = |a: usize, b: usize| {
        (corners[a][0] - corners[b][0]).powi(2) + (corners[a][1] - corners[b][1]).powi(2)
    };
    let longest = side(0, 1).max(side(1, 2)).max(side(2, 0)).sqrt();
    let [a, b, c] = corners;
    let twice = ((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])).abs();
    twice <= 2.0 * cell * longest
}

struct Painter {
    columns: usize,
    rows: usize,
    /// Per row: how many triangles begin less how many end at a column.
    changes: Vec<i32>,
    /// Cells that something thin passes through.
    touched: Vec<bool>,
}

impl Painter {
    /// Corners in cells.
    fn triangle(&mut self, corners: [[f64; 2]; 3]) {
        let y = corners.map(|p| p[1]);
        let (lowest, highest) = (y[0].min(y[1]).min(y[2]), y[0].max(y[1]).max(y[2]));
        let first = (lowest - 0.5).ceil().max(0.0) as usize;
        let end = ((highest - 0.5).ceil().max(0.0) as usize).min(self.rows);
        let mut hit = false;
        for row in first..end {
            let middle = row as f64 + 0.5;
            let (mut from, mut to) = (f64::INFINITY, f64::NEG_INFINITY);
            for (a, b) in [(0, 1), (1, 2), (2, 0)] {
                // Always from the lower end, so that two triangles agree on the side they share.
                let (a, b) = if (corners[a][1], corners[a][0]) <= (corners[b][1], corners[b][0]) {
                    (corners[a], corners[b])
                } else {
                    (corners[b], corners[a])
                };
                if (a[1] <= middle) != (b[1] <= middle) {
                    let x = a[0] + (middle - a[1]) * ((b[0] - a[0]) / (b[1] - a[1]));
                    (from, to) = (from.min(x), to.max(x));
                }
            }
            if from <= to {
                let from = ((from - 0.5).ceil().max(0.0) as usize).min(self.columns);
                let to = ((to - 0.5).ceil().max(0.0) as usize).min(self.columns);
                if from < to {
                    hit = true;
                    self.changes[row * (self.columns + 1) + from] += 1;
                    self.changes[row * (self.columns + 1) + to] -= 1;
                }
            }
        }
        if !hit {
            self.thin(corners);
        }
    }

    /// Follows the longest side.
    fn thin(&mut self, corners: [[f64; 2]; 3]) {
        let length = |(a, b): (usize, usize)| {
            (corners[a][0] - corners[b][0]).abs().max((corners[a][1] - corners[b][1]).abs())
        };
        let mut longest = (0, 1);
        for side in [(1, 2), (2, 0)] {
            if length(side) > length(longest) {
                longest = side;
            }
        }
        let (a, b) = (corners[longest.0], corners[longest.1]);
        let steps = length(longest).ceil().clamp(1.0, (self.columns + self.rows) as f64);
        for step in 0..=steps as usize {
            let along = step as f64 / steps;
            let column = (a[0] + (b[0] - a[0]) * along).floor().max(0.0) as usize;
            let row = (a[1] + (b[1] - a[1]) * along).floor().max(0.0) as usize;
            if column < self.columns && row < self.rows {
                self.touched[row * self.columns + column] = true;
            }
        }
    }

    fn finish(self) -> Vec<bool> {
        let (columns, rows) = (self.columns, self.rows);
        let mut filled = vec![false; columns * rows];
        for row in 0..rows {
            let mut depth = 0;
            for column in 0..columns {
                depth += self.changes[row * (columns + 1) + column];
                filled[row * columns + column] = depth > 0;
            }
        }
        // Beside something solid, a touched cell is only its rim, which would make the body fatter.
        let around = |cells: &[bool], column: usize, row: usize| {
            let mut count = 0;
            for y in row.saturating_sub(1)..(row + 2).min(rows) {
                for x in column.saturating_sub(1)..(column + 2).min(columns) {
                    count += usize::from(cells[y * columns + x]);
                }
            }
            count
        };
        let mut solid = vec![false; columns * rows];
        for row in 0..rows {
            for column in 0..columns {
                let at = row * columns + column;
                solid[at] = filled[at] && around(&filled, column, row) >= 5;
            }
        }
        let mut out = filled;
        for row in 0..rows {
            for column in 0..columns {
                let at = row * columns + column;
                if self.touched[at] && !out[at] && around(&solid, column, row) == 0 {
                    out[at] = true;
                }
            }
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn area(grid: &Grid) -> f64 {
        grid.filled.iter().filter(|cell| **cell).count() as f64 * grid.cell * grid.cell
    }

    #[test]
    fn two_triangles_of_a_square_cover_it_once_and_wholly() {
        let points = [[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]];
        let grid = rasterise(([0.0; 2], [1.0; 2]), 0.01, &[[0, 1, 2], [0, 2, 3]], |p| points[p as usize]);
        assert!((area(&grid) - 1.0).abs() < 1e-9, "{}", area(&grid));
    }

    #[test]
    fn a_sheet_seen_from_its_edge_is_a_line_of_cells() {
        let points = [[0.0, 0.5], [1.0, 0.5], [0.5, 0.5]];
        let grid = rasterise(([0.0, 0.0], [1.0, 1.0]), 0.01, &[[0, 1, 2]], |p| points[p as usize]);
        let count = grid.filled.iter().filter(|cell| **cell).count();
        assert!((100..=103).contains(&count), "{count}");
    }

    #[test]
    fn a_heap_of_sheets_seen_from_their_edges_is_drawn_on_fewer_cells() {
        let points = [[0.0, 0.5], [1.0, 0.5], [0.5, 0.5], [0.0, 0.0], [0.0, 1.0]];
        let mut heap = vec![[0, 1, 2]; 2_000_000];
        heap.push([3, 4, 0]);
        let grid = rasterise(([0.0; 2], [1.0; 2]), 1e-3, &heap, |p| points[p as usize]);
        assert!(grid.rows < 200, "{}", grid.rows);
    }

    #[test]
    fn a_heap_of_large_triangles_is_drawn_on_fewer_cells() {
        let points = [[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]];
        let heap = vec![[0, 1, 2]; 2_000_000];
        let grid = rasterise(([0.0; 2], [1.0; 2]), 1e-3, &heap, |p| points[p as usize]);
        assert!(grid.rows < 200, "{}", grid.rows);
        assert!((area(&grid) - 0.5).abs() < 0.02);
    }
}
