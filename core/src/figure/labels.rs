//! Labels at the rim of a view, joined to their places by straight lines.
//!
//! Boundary labelling (Bekos, Kaufmann, Symvonis, Wolff, "Boundary labeling: models and efficient algorithms for
//! rectangular maps", Computational Geometry 36, 2007): labels stand in a column at either side, so no two can overlap
//! whatever is labelled. Places left of a vertical line go to the left, the others to the right, so no line of one side
//! meets one of the other; within a side, lines that cross change places until none do. Every exchange makes the lines
//! shorter together, so this ends.

/// The columns of a view: where lines end, and between what heights labels stand.
#[derive(Debug, Clone, Copy)]
pub(super) struct Columns {
    /// Where lines to the left column end.
    pub(super) left: f64,
    /// Where lines to the right column end.
    pub(super) right: f64,
    pub(super) top: f64,
    pub(super) bottom: f64,
    /// Height of a label with the air around it.
    pub(super) pitch: f64,
}

impl Columns {
    /// Labels that one column holds.
    pub(super) fn capacity(&self) -> usize {
        ((self.bottom - self.top) / self.pitch + 1e-6).floor().max(0.0) as usize
    }
}

/// Where a label stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Slot {
    pub(super) right: bool,
    /// The height of its middle.
    pub(super) y: f64,
}

/// A slot for each place, in the order of the places. At most twice the capacity can be placed; the rest get none.
pub(super) fn place(sites: &[[f64; 2]], columns: &Columns) -> Vec<Option<Slot>> {
    let capacity = columns.capacity();
    let count = sites.len().min(2 * capacity);
    let middle = f64::midpoint(columns.left, columns.right);
    let mut order: Vec<usize> = (0..count).collect();
    order.sort_by(|a, b| sites[*a][0].total_cmp(&sites[*b][0]).then(a.cmp(b)));
    let natural = order.iter().filter(|index| sites[**index][0] < middle).count();
    let left = natural.clamp(count.saturating_sub(capacity), capacity.min(count));
    let mut out = vec![None; sites.len()];
    for (side, list) in [(false, &order[..left]), (true, &order[left..])] {
        let port = if side { columns.right } else { columns.left };
        for (index, y) in column(sites, list, port, columns) {
            out[index] = Some(Slot { right: side, y });
        }
    }
    out
}

fn column(sites: &[[f64; 2]], list: &[usize], port: f64, columns: &Columns) -> Vec<(usize, f64)> {
    let mut list = list.to_vec();
    list.sort_by(|a, b| sites[*a][1].total_cmp(&sites[*b][1]).then(a.cmp(b)));
    let wanted: Vec<f64> = list.iter().map(|index| sites[*index][1]).collect();
    let heights = spread(&wanted, columns);
    let crosses = |a: usize, ya: f64, b: usize, yb: f64| meet([port, ya], sites[a], [port, yb], sites[b]);
    // Each exchange shortens the lines; the bound only guards against rounding.
    for _ in 0..list.len() * list.len() * list.len() {
        let pair = (0..list.len())
            .flat_map(|i| (i + 1..list.len()).map(move |k| (i, k)))
            .find(|(i, k)| crosses(list[*i], heights[*i], list[*k], heights[*k]));
        match pair {
            Some((i, k)) => list.swap(i, k),
            None => break,
        }
    }
    list.into_iter().zip(heights).collect()
}

/// Heights in the order given, a pitch apart, as near to the wanted ones as can be (least squares: pool adjacent
/// violators), within the column.
fn spread(wanted: &[f64], columns: &Columns) -> Vec<f64> {
    let pitch = columns.pitch;
    let mut blocks: Vec<(f64, usize)> = Vec::new();
    for (index, y) in wanted.iter().enumerate() {
        let mut block = (y - index as f64 * pitch, 1);
        while let Some(last) = blocks.last()
            && last.0 / last.1 as f64 > block.0 / block.1 as f64
        {
            block = (block.0 + last.0, block.1 + last.1);
            blocks.pop();
        }
        blocks.push(block);
    }
    let lowest = columns.top + pitch / 2.0;
    let highest = (columns.bottom - pitch / 2.0 - (wanted.len() as f64 - 1.0) * pitch).max(lowest);
    let starts = blocks
        .iter()
        .flat_map(|(sum, count)| std::iter::repeat_n((sum / *count as f64).clamp(lowest, highest), *count));
    starts.enumerate().map(|(index, start)| start + index as f64 * pitch).collect()
}

/// Whether two stretches cross in their inside.
pub(super) fn meet(a: [f64; 2], b: [f64; 2], c: [f64; 2], d: [f64; 2]) -> bool {
    let turn =
        |p: [f64; 2], q: [f64; 2], r: [f64; 2]| (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0]);
    let apart = |x: f64, y: f64| (x > 0.0 && y < 0.0) || (x < 0.0 && y > 0.0);
    apart(turn(a, b, c), turn(a, b, d)) && apart(turn(c, d, a), turn(c, d, b))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn labels_never_overlap_and_lines_never_cross(
            sites in prop::collection::vec((0.0..400.0_f64, 0.0..300.0_f64), 0..30),
            coarse in any::<bool>(),
        ) {
            // Coarse places lie in rows and columns and on top of each other, as those of real chains do.
            let step = if coarse { 50.0 } else { 0.001 };
            let sites: Vec<[f64; 2]> =
                sites.into_iter().map(|(x, y)| [x, y].map(|v| (v / step).round() * step)).collect();
            let columns = Columns { left: -20.0, right: 420.0, top: -10.0, bottom: 310.0, pitch: 16.0 };
            let slots: Vec<Slot> = place(&sites, &columns).into_iter().flatten().collect();
            prop_assert_eq!(slots.len(), sites.len(), "40 fit");
            let port = |slot: &Slot| [if slot.right { columns.right } else { columns.left }, slot.y];
            for (i, a) in slots.iter().enumerate() {
                prop_assert!(a.y >= columns.top + 8.0 - 1e-9 && a.y <= columns.bottom - 8.0 + 1e-9);
                for (k, b) in slots.iter().enumerate().skip(i + 1) {
                    prop_assert!(a.right != b.right || (a.y - b.y).abs() > 16.0 - 1e-9, "labels {i} and {k}");
                    prop_assert!(!meet(port(a), sites[i], port(b), sites[k]), "lines {i} and {k}");
                }
            }
        }
    }

    #[test]
    fn a_label_stands_at_the_height_of_its_place_where_there_is_room() {
        let columns = Columns { left: 0.0, right: 100.0, top: 0.0, bottom: 100.0, pitch: 10.0 };
        let slots = place(&[[10.0, 30.0], [10.0, 60.0], [90.0, 98.0]], &columns);
        let heights: Vec<(bool, f64)> =
            slots.into_iter().flatten().map(|slot| (slot.right, slot.y)).collect();
        assert_eq!(heights, [(false, 30.0), (false, 60.0), (true, 95.0)]);
    }
}
