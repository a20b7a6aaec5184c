//! Growing decision trees on binned features: gradient boosting with the gradient given from outside.

use super::super::model::{Node, Tree};

/// Bins of one feature: 0 is "missing".
pub(super) const BINS: usize = 64;

/// Settings of the learner.
#[derive(Debug, Clone, Copy)]
pub struct Params {
    /// How many trees.
    pub trees: usize,
    /// Leaves of each.
    pub leaves: usize,
    /// What each tree's answer is multiplied with.
    pub rate: f64,
    /// Added to the sum of hessians.
    pub l2: f64,
    /// The least rows in a leaf.
    pub least: usize,
    /// Share of the features each tree may use.
    pub share: f64,
}

/// A small generator (splitmix64): the same numbers on every machine.
#[derive(Debug, Clone)]
pub struct Dice(pub u64);

impl Dice {
    /// The next 64 bits.
    pub fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// 0 to 1.
    pub fn unit(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// 0 to `most` − 1.
    pub fn below(&mut self, most: usize) -> usize {
        if most == 0 { 0 } else { (self.bits() % most as u64) as usize }
    }

    /// About normal, mean 0 and deviation 1.
    pub fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.unit()).sum::<f64>() - 6.0
    }

    /// Shuffles.
    pub fn shuffle<T>(&mut self, list: &mut [T]) {
        for i in (1..list.len()).rev() {
            list.swap(i, self.below(i + 1));
        }
    }
}

/// The upper edges of each feature's bins 1, 2, ….
#[derive(Debug, Clone)]
pub(super) struct Edges(pub(super) Vec<Vec<f32>>);

impl Edges {
    /// Edges at the quantiles of sample rows.
    pub(super) fn new(width: usize, rows: &[Vec<f32>]) -> Self {
        let edges = (0..width).map(|feature| {
            let mut values: Vec<f32> = rows.iter().map(|row| row[feature]).filter(|v| !v.is_nan()).collect();
            values.sort_by(f32::total_cmp);
            let mut distinct = values.clone();
            distinct.dedup();
            if distinct.len() < BINS {
                // Half way between neighbours, so that a value that was never seen goes to the nearer one.
                return distinct.windows(2).map(|pair| f32::midpoint(pair[0], pair[1])).collect();
            }
            let mut edges: Vec<f32> =
                (1..BINS - 1).map(|k| values[k * (values.len() - 1) / (BINS - 1)]).collect();
            edges.dedup();
            edges
        });
        Self(edges.collect())
    }

    /// A row's bins.
    pub(super) fn bin(&self, row: &[f32], out: &mut Vec<u8>) {
        for (value, edges) in row.iter().zip(&self.0) {
            let bin = if value.is_nan() { 0 } else { 1 + edges.partition_point(|edge| *edge < *value) };
            out.push(bin.min(BINS - 1) as u8);
        }
    }
}

/// Rows that trees are grown on.
pub(super) struct Table<'a> {
    /// Features per row.
    pub(super) width: usize,
    /// Bins, row after row.
    pub(super) bins: &'a [u8],
}

#[derive(Clone, Copy, Default)]
struct Sum {
    gradient: f64,
    hessian: f64,
    rows: u32,
}

#[derive(Clone, Copy)]
struct Split {
    gain: f64,
    feature: usize,
    bin: usize,
    missing_left: bool,
}

struct Open {
    rows: Vec<u32>,
    histogram: Vec<Sum>,
    split: Option<Split>,
    /// Where the number of this leaf stands: node and side.
    hangs: Option<(usize, bool)>,
}

/// A tree with the bins its splits end at: rows that are binned already need no thresholds.
pub(super) struct Grown {
    pub(super) tree: Tree,
    bins: Vec<u8>,
}

impl Grown {
    /// What it adds to a binned row.
    pub(super) fn value(&self, row: &[u8]) -> f64 {
        let mut at = 0_i8;
        loop {
            let Some(node) = self.tree.nodes.get(at as usize) else { return f64::from(self.tree.leaves[0]) };
            let bin = row[usize::from(node.feature)];
            let left = if bin == 0 { node.missing_left } else { bin <= self.bins[at as usize] };
            at = if left { node.left } else { node.right };
            if at < 0 {
                return f64::from(self.tree.leaves[usize::from(!at as u8)]);
            }
        }
    }
}

/// Grows one tree; `gradient` and `hessian` per row.
pub(super) fn grow(
    table: &Table<'_>,
    edges: &Edges,
    rows: Vec<u32>,
    gradient: &[f64],
    hessian: &[f64],
    params: &Params,
    dice: &mut Dice,
) -> Grown {
    let mut features: Vec<usize> = (0..table.width).collect();
    dice.shuffle(&mut features);
    features.truncate(((table.width as f64 * params.share).ceil() as usize).max(1));
    features.sort_unstable();
    let count = |rows: &[u32]| {
        let mut histogram = vec![Sum::default(); features.len() * BINS];
        for row in rows {
            let at = *row as usize;
            let (g, h) = (gradient[at], hessian[at]);
            let bins = &table.bins[at * table.width..(at + 1) * table.width];
            for (slot, feature) in features.iter().enumerate() {
                let sum = &mut histogram[slot * BINS + usize::from(bins[*feature])];
                sum.gradient += g;
                sum.hessian += h;
                sum.rows += 1;
            }
        }
        histogram
    };
    let split_of = |histogram: &[Sum]| best_split(histogram, &features, params);
    let histogram = count(&rows);
    let split = split_of(&histogram);
    let mut open = vec![Open { rows, histogram, split, hangs: None }];
    let mut tree = Tree::default();
    let mut bins = Vec::new();
    while open.len() < params.leaves.min(127) {
        let best = open
            .iter()
            .enumerate()
            .filter_map(|(at, leaf)| leaf.split.map(|split| (at, split)))
            .max_by(|a, b| a.1.gain.total_cmp(&b.1.gain).then(b.0.cmp(&a.0)));
        let Some((at, split)) = best else { break };
        let leaf = open.remove(at);
        let (left, right): (Vec<u32>, Vec<u32>) = leaf.rows.iter().copied().partition(|row| {
            let bin = usize::from(table.bins[*row as usize * table.width + split.feature]);
            if bin == 0 { split.missing_left } else { bin <= split.bin }
        });
        let number = tree.nodes.len();
        let threshold = edges.0[split.feature].get(split.bin - 1).copied().unwrap_or(f32::MAX);
        bins.push(split.bin as u8);
        tree.nodes.push(Node {
            feature: split.feature as u8,
            missing_left: split.missing_left,
            threshold,
            left: 0,
            right: 0,
        });
        if let Some((node, is_left)) = leaf.hangs {
            let slot = &mut tree.nodes[node];
            if is_left { slot.left = number as i8 } else { slot.right = number as i8 }
        }
        let (small, large) = if left.len() <= right.len() { (&left, &right) } else { (&right, &left) };
        let few = count(small);
        let many: Vec<Sum> = leaf
            .histogram
            .iter()
            .zip(&few)
            .map(|(all, few)| Sum {
                gradient: all.gradient - few.gradient,
                hessian: all.hessian - few.hessian,
                rows: all.rows - few.rows,
            })
            .collect();
        let left_is_small = std::ptr::eq(small, &raw const left);
        let _ = large;
        let (left_histogram, right_histogram) = if left_is_small { (few, many) } else { (many, few) };
        for (rows, histogram, is_left) in [(left, left_histogram, true), (right, right_histogram, false)] {
            let split = split_of(&histogram);
            open.push(Open { rows, histogram, split, hangs: Some((number, is_left)) });
        }
    }
    for (number, leaf) in open.iter().enumerate() {
        let g: f64 = leaf.rows.iter().map(|row| gradient[*row as usize]).sum();
        let h: f64 = leaf.rows.iter().map(|row| hessian[*row as usize]).sum();
        tree.leaves.push((-g / (h + params.l2) * params.rate) as f32);
        if let Some((node, is_left)) = leaf.hangs {
            let slot = &mut tree.nodes[node];
            if is_left { slot.left = !(number as i8) } else { slot.right = !(number as i8) }
        }
    }
    Grown { tree, bins }
}

fn best_split(histogram: &[Sum], features: &[usize], params: &Params) -> Option<Split> {
    let mut best: Option<Split> = None;
    let worth = |sum: &Sum| sum.gradient * sum.gradient / (sum.hessian + params.l2);
    let add = |a: &Sum, b: &Sum| Sum {
        gradient: a.gradient + b.gradient,
        hessian: a.hessian + b.hessian,
        rows: a.rows + b.rows,
    };
    for (slot, feature) in features.iter().enumerate() {
        let bins = &histogram[slot * BINS..(slot + 1) * BINS];
        let all = bins.iter().fold(Sum::default(), |sum, bin| add(&sum, bin));
        let missing = bins[0];
        let mut left = Sum::default();
        for (bin, sum) in bins.iter().enumerate().take(BINS - 1).skip(1) {
            left = add(&left, sum);
            for missing_left in [false, true] {
                if missing_left && missing.rows == 0 {
                    continue;
                }
                let left = if missing_left { add(&left, &missing) } else { left };
                let right = Sum {
                    gradient: all.gradient - left.gradient,
                    hessian: all.hessian - left.hessian,
                    rows: all.rows - left.rows,
                };
                if (left.rows as usize) < params.least || (right.rows as usize) < params.least {
                    continue;
                }
                let gain = worth(&left) + worth(&right) - worth(&all);
                if gain > 1e-6 && best.as_ref().is_none_or(|b| gain > b.gain) {
                    best = Some(Split { gain, feature: *feature, bin, missing_left });
                }
            }
        }
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_step_is_found_and_fitted() {
        // Squared error on y = 1 for x > 0.5: gradient = score − y at score 0, hessian 1; by hand, the two leaves are
        // 0 and 1 (L2 0, rate 1).
        let rows: Vec<Vec<f32>> = (0..100).map(|i| vec![7.0, i as f32 / 100.0]).collect();
        let edges = Edges::new(2, &rows);
        let mut bins = Vec::new();
        for row in &rows {
            edges.bin(row, &mut bins);
        }
        let gradient: Vec<f64> = rows.iter().map(|row| if row[1] > 0.5 { -1.0 } else { 0.0 }).collect();
        let params = Params { trees: 1, leaves: 2, rate: 1.0, l2: 0.0, least: 1, share: 1.0 };
        let table = Table { width: 2, bins: &bins };
        let tree = grow(&table, &edges, (0..100).collect(), &gradient, &[1.0; 100], &params, &mut Dice(1));
        let (grown, tree) = (&tree, &tree.tree);
        assert_eq!(tree.nodes[0].feature, 1);
        let wrong = rows.iter().filter(|row| (tree.value(row) > 0.5) != (row[1] > 0.5)).count();
        assert!(wrong <= 2, "{wrong}: a bin holds two values");
        for (i, row) in rows.iter().enumerate() {
            assert_eq!(tree.value(row), grown.value(&bins[i * 2..i * 2 + 2]));
        }
    }
}
