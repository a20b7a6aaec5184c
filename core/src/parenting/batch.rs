//! Scores of many rows at once, the same to the last bit as one at a time.
//!
//! A tree's leaves are numbered from left to right. Every split that a row fails strikes out the leaves on its left; the
//! first leaf that is left over is the one the row ends in. All splits are asked, but of many rows side by side and
//! without a jump, which is several times as fast as walking down.

use super::model::{Ensemble, Tree};

/// Rows side by side.
const ROWS: usize = 32;
/// Leaves that fit into a row's bits.
const LEAVES: usize = 32;

/// A split as it is asked of a whole column.
#[derive(Debug, Clone, Copy)]
struct Split {
    /// The column of the block.
    column: usize,
    threshold: f32,
    missing_left: bool,
    /// All leaves but those on the left.
    rest: u32,
}

/// A tree whose splits may be asked in any order.
#[derive(Debug)]
struct Flat {
    splits: Vec<Split>,
    /// What each leaf adds, from left to right.
    leaves: [f64; LEAVES],
}

impl Flat {
    /// `None` where the tree has too many leaves, or its children are no tree.
    fn new(tree: &Tree, columns: &mut Columns) -> Option<Self> {
        let mut out = Self { splits: Vec::with_capacity(tree.nodes.len()), leaves: [0.0; LEAVES] };
        if tree.nodes.is_empty() {
            out.leaves[0] = tree.leaves.first().copied().map_or(0.0, f64::from);
            return Some(out);
        }
        let found = out.lay(tree, 0, 0, tree.nodes.len(), columns)?;
        (found <= LEAVES).then_some(out)
    }

    /// Lays out what hangs from a node, with `begun` leaves on its left; how many there are then.
    fn lay(
        &mut self,
        tree: &Tree,
        at: i8,
        begun: usize,
        deeper: usize,
        columns: &mut Columns,
    ) -> Option<usize> {
        if at < 0 {
            *self.leaves.get_mut(begun)? =
                tree.leaves.get(usize::from(!at as u8)).copied().map_or(0.0, f64::from);
            return Some(begun + 1);
        }
        let deeper = deeper.checked_sub(1)?;
        let node = tree.nodes.get(at as usize)?;
        let middle = self.lay(tree, node.left, begun, deeper, columns)?;
        let struck = (begun..middle).fold(0_u32, |bits, leaf| bits | 1 << leaf);
        self.splits.push(Split {
            column: columns.of(node.feature),
            threshold: node.threshold,
            missing_left: node.missing_left,
            rest: !struck,
        });
        self.lay(tree, node.right, middle, deeper, columns)
    }

    /// Adds the tree's answer for each row of a block.
    fn add(&self, block: &[[f32; ROWS]], sums: &mut [f64; ROWS]) {
        let mut left = [u32::MAX; ROWS];
        for split in &self.splits {
            let Some(column) = block.get(split.column) else { continue };
            let (threshold, rest) = (split.threshold, split.rest);
            // A missing value fails both comparisons.
            if split.missing_left {
                for (bits, value) in left.iter_mut().zip(column) {
                    *bits &= if *value > threshold { rest } else { u32::MAX };
                }
            } else {
                for (bits, value) in left.iter_mut().zip(column) {
                    *bits &= if *value <= threshold { u32::MAX } else { rest };
                }
            }
        }
        for (sum, bits) in sums.iter_mut().zip(left) {
            *sum += self.leaves[bits.trailing_zeros() as usize % LEAVES];
        }
    }
}

/// The features that some tree asks for, in the order in which they are met.
#[derive(Debug)]
struct Columns {
    /// Per feature: its column.
    place: [Option<u8>; 256],
    features: Vec<u8>,
}

impl Columns {
    fn of(&mut self, feature: u8) -> usize {
        let next = self.features.len() as u8;
        let place = *self.place[usize::from(feature)].get_or_insert(next);
        if place == next {
            self.features.push(feature);
        }
        usize::from(place)
    }
}

/// The score of each row, as [`Ensemble::score`] has it; `is_root` says which rows are about roots.
pub(super) fn scores<R: AsRef<[f32]>>(
    ensemble: &Ensemble,
    rows: &[R],
    is_root: impl Fn(usize) -> bool,
) -> Vec<f64> {
    let mut columns = Columns { place: [None; 256], features: Vec::new() };
    let flat: Option<Vec<Flat>> = ensemble.trees.iter().map(|tree| Flat::new(tree, &mut columns)).collect();
    let Some(flat) = flat else {
        return rows.iter().enumerate().map(|(at, row)| ensemble.score(row.as_ref(), is_root(at))).collect();
    };
    let mut block = vec![[f32::NAN; ROWS]; columns.features.len()];
    let mut out = Vec::with_capacity(rows.len());
    for few in rows.chunks(ROWS) {
        for (slot, row) in few.iter().enumerate() {
            let row = row.as_ref();
            for (column, feature) in block.iter_mut().zip(&columns.features) {
                column[slot] = row.get(usize::from(*feature)).copied().unwrap_or(f32::NAN);
            }
        }
        let mut sums = [0.0; ROWS];
        for tree in &flat {
            tree.add(&block, &mut sums);
        }
        for sum in &sums[..few.len()] {
            out.push(sum + if is_root(out.len()) { ensemble.root } else { ensemble.edge });
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::parenting::model::Node;

    /// A generator of its own (xorshift).
    fn next(state: &mut u64) -> u64 {
        *state ^= *state << 13;
        *state ^= *state >> 7;
        *state ^= *state << 17;
        *state
    }

    /// A tree grown at random places: each round a leaf becomes a split.
    fn tree(state: &mut u64, leaves: usize) -> Tree {
        let mut out = Tree { nodes: Vec::new(), leaves: vec![0.25] };
        for round in 1..leaves {
            let halved = next(state) as usize % round;
            let added = out.leaves.len();
            out.leaves.push((next(state) % 1_000) as f32 / 7.0 - 70.0);
            let node = Node {
                feature: (next(state) % 5) as u8,
                missing_left: next(state).is_multiple_of(2),
                threshold: (next(state) % 9) as f32,
                left: !(halved as i8),
                right: !(added as i8),
            };
            let number = out.nodes.len() as i8;
            for other in &mut out.nodes {
                for child in [&mut other.left, &mut other.right] {
                    if *child == !(halved as i8) {
                        *child = number;
                    }
                }
            }
            out.nodes.push(node);
        }
        out
    }

    #[test]
    fn many_rows_at_once_are_each_row_alone() {
        let mut state = 88_172_645_463_325_252;
        for most in [1, 2, 14, 32, 33, 60] {
            let trees = (0..40).map(|_| tree(&mut state, most)).collect();
            let ensemble = Ensemble { edge: -2.0, root: -3.0, trees };
            for count in [0, 1, 31, 32, 33, 100] {
                // Whole numbers, so that values on a threshold come up, and missing ones; the fifth is beyond the row.
                let rows: Vec<[f32; 4]> = (0..count)
                    .map(|_| {
                        std::array::from_fn(|_| match next(&mut state) % 10 {
                            9 => f32::NAN,
                            value => value as f32,
                        })
                    })
                    .collect();
                let alone: Vec<f64> =
                    rows.iter().enumerate().map(|(at, row)| ensemble.score(row, at % 3 == 0)).collect();
                assert_eq!(scores(&ensemble, &rows, |at| at % 3 == 0), alone, "{most} leaves, {count} rows");
            }
        }
    }
}
