//! Welding (D14): vertices at one place become one point.

use glam::DVec3;

use super::radix;

/// Cells of the search grid per welding distance. Large cells: few vertices lie near a cell's border.
const CELL: f64 = 64.0;
/// Points of one cell that a vertex is compared with; where more crowd into a cell, the rest stay apart.
const CROWD: usize = 64;
/// No point: the vertex is not finite.
pub const NOWHERE: u32 = u32::MAX;

/// Numbers points by the first vertex at each, and tells every vertex its point. `low` and `extent` bound all finite
/// positions.
pub(super) fn weld(positions: &[DVec3], low: DVec3, extent: f64, distance: f64) -> (Vec<u32>, Vec<DVec3>) {
    let cell = (distance * CELL).max(extent / f64::from(1 << 20));
    let side = |offset: f64| (offset / cell) as i64;
    let at = |p: DVec3| {
        let offset = p - low;
        [side(offset.x) + 1, side(offset.y) + 1, side(offset.z) + 1]
    };
    // 21 bits each: the grid has at most 2^20 cells a side, and a border of one.
    let pack = |c: [i64; 3]| (c[0] as u64) << 42 | (c[1] as u64) << 21 | c[2] as u64;
    let keys: Vec<u64> =
        positions.iter().map(|p| if p.is_finite() { pack(at(*p)) } else { u64::MAX }).collect();
    let order = radix::order(&keys, 64);
    let finite = order.partition_point(|index| keys[*index as usize] != u64::MAX);
    // Representatives, cell by cell, and where each finished cell's begin.
    let mut chosen: Vec<u32> = Vec::with_capacity(finite);
    let mut cells: Vec<(u64, u32)> = Vec::new();
    let mut stands_for = vec![NOWHERE; positions.len()];
    for index in &order[..finite] {
        let key = keys[*index as usize];
        if cells.last().is_none_or(|last| last.0 != key) {
            cells.push((key, chosen.len() as u32));
        }
        let place = positions[*index as usize];
        let begin = cells.last().map_or(0, |last| last.1 as usize);
        let near = |other: &&u32| positions[**other as usize].distance_squared(place) <= distance * distance;
        let mut found = chosen[begin..].iter().take(CROWD).find(near).copied();
        if found.is_none() {
            let home = at(place);
            let local = (place - low) / cell;
            let reach = distance / cell;
            // Neighbouring cells that the welding distance reaches into, if they are already done.
            let span = |axis: usize| {
                let inside = local[axis] - (home[axis] - 1) as f64;
                (-i64::from(inside < reach), i64::from(inside > 1.0 - reach))
            };
            let [x, y, z] = [span(0), span(1), span(2)];
            if (x, y, z) != ((0, 0), (0, 0), (0, 0)) {
                'cells: for dx in x.0..=x.1 {
                    for dy in y.0..=y.1 {
                        for dz in z.0..=z.1 {
                            let other = pack([home[0] + dx, home[1] + dy, home[2] + dz]);
                            if other >= key {
                                continue;
                            }
                            let Ok(slot) = cells.binary_search_by_key(&other, |cell| cell.0) else {
                                continue;
                            };
                            let (from, to) = (cells[slot].1 as usize, cells[slot + 1].1 as usize);
                            found = chosen[from..to].iter().take(CROWD).find(near).copied();
                            if found.is_some() {
                                break 'cells;
                            }
                        }
                    }
                }
            }
        }
        if found.is_none() {
            chosen.push(*index);
        }
        stands_for[*index as usize] = found.unwrap_or(*index);
    }
    number(positions, &stands_for)
}

/// Numbers in the order of vertices, so that the grid leaves no trace.
fn number(positions: &[DVec3], stands_for: &[u32]) -> (Vec<u32>, Vec<DVec3>) {
    let mut point_of = vec![NOWHERE; positions.len()];
    let mut of_representative = vec![NOWHERE; positions.len()];
    let mut points = Vec::new();
    for (vertex, representative) in stands_for.iter().enumerate() {
        if *representative == NOWHERE {
            continue;
        }
        let number = &mut of_representative[*representative as usize];
        if *number == NOWHERE {
            *number = points.len() as u32;
            points.push(positions[vertex]);
        }
        point_of[vertex] = *number;
    }
    (point_of, points)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn copies_become_one_point_across_cells_and_neighbours_stay_apart() {
        let step = 64e-5;
        let places = [
            DVec3::ZERO,
            DVec3::splat(step - 2e-6),
            DVec3::splat(step + 2e-6),
            DVec3::new(f64::NAN, 0.0, 0.0),
            DVec3::new(2e-5, 0.0, 0.0),
            DVec3::new(9e-6, 0.0, 0.0),
        ];
        let (point_of, points) = weld(&places, DVec3::ZERO, 1.0, 1e-5);
        assert_eq!(point_of, [0, 1, 1, NOWHERE, 2, 0]);
        assert_eq!(points.len(), 3);
    }
}
