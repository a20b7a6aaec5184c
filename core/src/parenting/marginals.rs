//! The probability of every edge over all trees at once, by the matrix-tree theorem (Tutte 1984; Koo, Globerson,
//! Carreras and Collins 2007): P(tree) is proportional to the exponential of the sum of its edges' scores.
//!
//! Each column of weights is divided by its sum first. That changes no probability, since every tree holds exactly one
//! edge into each node, and it keeps the matrix well conditioned whatever the scores are.

use super::arborescence::Edge;

/// Whether more than one node may have no parent.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Roots {
    /// Any number of roots.
    Any,
    /// Exactly one.
    One,
}

/// The probability of each edge, and the logarithm of the sum over all trees; `None` where there is no tree.
pub fn marginals(count: usize, edges: &[Edge], roots: Roots) -> Option<(Vec<f64>, f64)> {
    let n = count.checked_sub(1)?;
    if n == 0 {
        return Some((vec![0.0; edges.len()], 0.0));
    }
    let used = |edge: &Edge| {
        edge.score.is_finite() && edge.from != edge.to && edge.to != 0 && edge.from < count && edge.to < count
    };
    let mut most = vec![f64::NEG_INFINITY; count];
    for edge in edges.iter().filter(|edge| used(edge)) {
        most[edge.to] = most[edge.to].max(edge.score);
    }
    let mut sum = vec![0.0; count];
    for edge in edges.iter().filter(|edge| used(edge)) {
        sum[edge.to] += (edge.score - most[edge.to]).exp();
    }
    if (1..count).any(|node| sum[node] <= 0.0) {
        return None;
    }
    let weight: Vec<f64> = edges
        .iter()
        .map(|edge| if used(edge) { (edge.score - most[edge.to]).exp() / sum[edge.to] } else { 0.0 })
        .collect();
    // Row h, column m: node h+1 as parent of node m+1.
    let mut matrix = vec![0.0; n * n];
    for (edge, w) in edges.iter().zip(&weight).filter(|(_, w)| **w > 0.0) {
        let m = edge.to - 1;
        match (edge.from, roots) {
            (0, Roots::Any) => matrix[m * n + m] += w,
            (0, Roots::One) => {}
            (from, _) => {
                matrix[m * n + m] += w;
                matrix[(from - 1) * n + m] -= w;
            }
        }
    }
    if roots == Roots::One {
        // The first row becomes the weights of the root (Koo et al. 2007, section 3.2).
        for slot in &mut matrix[..n] {
            *slot = 0.0;
        }
        for (edge, w) in edges.iter().zip(&weight).filter(|(edge, _)| edge.from == 0) {
            if edge.to > 0 && edge.to < count {
                matrix[edge.to - 1] += w;
            }
        }
    }
    let log_determinant = invert(&mut matrix, n)?;
    let at = |row: usize, column: usize| matrix[row * n + column];
    let mut out = vec![0.0; edges.len()];
    for (slot, (edge, w)) in out.iter_mut().zip(edges.iter().zip(&weight)).filter(|(_, (_, w))| **w > 0.0) {
        let m = edge.to - 1;
        let p = match (edge.from, roots) {
            (0, Roots::Any) => w * at(m, m),
            (0, Roots::One) => w * at(m, 0),
            (from, Roots::Any) => w * (at(m, m) - at(m, from - 1)),
            (from, Roots::One) => {
                let own = if m == 0 { 0.0 } else { at(m, m) };
                let other = if from == 1 { 0.0 } else { at(m, from - 1) };
                w * (own - other)
            }
        };
        *slot = p.clamp(0.0, 1.0);
    }
    let scale: f64 = (1..count).map(|node| most[node] + sum[node].ln()).sum();
    Some((out, log_determinant + scale))
}

/// Beyond this many nodes a library's blocked decomposition is faster; up to it the bits are the same on every machine,
/// which is what fitting on small skeletons rests on.
const SMALL: usize = 96;

/// Inverts in place; the logarithm of the determinant's size.
fn invert(a: &mut [f64], n: usize) -> Option<f64> {
    if n > SMALL { invert_large(a, n) } else { invert_small(a, n) }
}

/// One LU decomposition with partial pivoting.
fn invert_large(a: &mut [f64], n: usize) -> Option<f64> {
    use faer::linalg::solvers::DenseSolveCore as _;
    let lu = faer::MatRef::from_row_major_slice(a, n, n).partial_piv_lu();
    let upper = lu.U();
    let mut log_determinant = 0.0;
    for k in 0..n {
        let value: f64 = upper[(k, k)];
        if !value.is_finite() || value.abs() < 1e-280 {
            return None;
        }
        log_determinant += value.abs().ln();
    }
    let inverse = lu.inverse();
    for (row, line) in a.chunks_exact_mut(n).enumerate() {
        for (column, slot) in line.iter_mut().enumerate() {
            *slot = inverse[(row, column)];
        }
    }
    Some(log_determinant)
}

/// Gauss-Jordan, the largest entry of each column as pivot.
fn invert_small(a: &mut [f64], n: usize) -> Option<f64> {
    let mut log_determinant = 0.0;
    let mut swaps = Vec::with_capacity(n);
    let mut pivot_row = vec![0.0; n];
    for k in 0..n {
        let pivot = (k..n).max_by(|x, y| a[x * n + k].abs().total_cmp(&a[y * n + k].abs()))?;
        if pivot != k {
            for column in 0..n {
                a.swap(k * n + column, pivot * n + column);
            }
        }
        swaps.push(pivot);
        let value = a[k * n + k];
        if !value.is_finite() || value.abs() < 1e-280 {
            return None;
        }
        log_determinant += value.abs().ln();
        a[k * n + k] = 1.0;
        for slot in &mut a[k * n..(k + 1) * n] {
            *slot /= value;
        }
        pivot_row.copy_from_slice(&a[k * n..(k + 1) * n]);
        for (row, line) in a.chunks_exact_mut(n).enumerate() {
            let factor = line[k];
            if row == k || factor == 0.0 {
                continue;
            }
            line[k] = 0.0;
            for (slot, value) in line.iter_mut().zip(&pivot_row) {
                *slot -= factor * value;
            }
        }
    }
    for (k, pivot) in swaps.iter().enumerate().rev() {
        if *pivot != k {
            for row in 0..n {
                a.swap(row * n + k, row * n + pivot);
            }
        }
    }
    Some(log_determinant)
}

#[cfg(test)]
#[allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::needless_range_loop,
    reason = "a test may fail loudly"
)]
mod tests {
    use super::*;

    fn next(state: &mut u64) -> f64 {
        *state ^= *state << 13;
        *state ^= *state >> 7;
        *state ^= *state << 17;
        (*state >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// The definition: every assignment of parents without a loop, weighed and summed.
    fn exhaustive(count: usize, edges: &[Edge], roots: Roots) -> (Vec<f64>, f64) {
        let n = count - 1;
        let mut index = vec![vec![None; count]; count];
        for (i, edge) in edges.iter().enumerate() {
            index[edge.from][edge.to] = Some(i);
        }
        let (mut sums, mut total) = (vec![0.0; edges.len()], 0.0);
        for code in 0..count.pow(n as u32) {
            let parent: Vec<usize> = (0..n).map(|i| code / count.pow(i as u32) % count).collect();
            let sound = (0..n).all(|start| {
                let mut node = start + 1;
                (0..=n).any(|_| {
                    node = parent[node - 1];
                    node == 0
                })
            });
            let tops = parent.iter().filter(|p| **p == 0).count();
            let used: Option<Vec<usize>> = (0..n).map(|i| index[parent[i]][i + 1]).collect();
            if let (true, Some(used)) = (sound && (roots == Roots::Any || tops == 1), used) {
                let weight = used.iter().map(|i| edges[*i].score).sum::<f64>().exp();
                total += weight;
                for i in used {
                    sums[i] += weight;
                }
            }
        }
        (sums.iter().map(|s| s / total).collect(), total.ln())
    }

    #[test]
    fn they_are_what_a_sum_over_all_trees_gives() {
        let mut state = 88_172_645_463_325_252;
        for round in 0..120 {
            let count = 2 + round % 6;
            for roots in [Roots::Any, Roots::One] {
                let mut edges = Vec::new();
                for from in 0..count {
                    for to in 1..count {
                        // Some edges are missing; the root always reaches everything, so that a tree exists.
                        if from != to && (from == 0 || next(&mut state) < 0.8) {
                            let spread = if round % 2 == 0 { 4.0 } else { 24.0 };
                            let score = (next(&mut state) - 0.5) * spread;
                            edges.push(Edge { from, to, score });
                        }
                    }
                }
                if roots == Roots::One {
                    for to in 2..count {
                        edges.retain(|edge| !(edge.from == 1 && edge.to == to));
                        edges.push(Edge { from: 1, to, score: -1.0 });
                    }
                }
                let (found, log_sum) = marginals(count, &edges, roots).expect("a tree exists");
                let (expected, log_expected) = exhaustive(count, &edges, roots);
                assert!((log_sum - log_expected).abs() < 1e-8, "{log_sum} {log_expected}");
                for (a, b) in found.iter().zip(&expected) {
                    assert!((a - b).abs() < 1e-9, "round {round}, {roots:?}: {a} against {b}");
                }
            }
        }
    }

    #[test]
    fn both_ways_to_invert_agree() {
        let n = 70;
        let mut state = 4_711;
        let mut a: Vec<f64> = (0..n * n).map(|_| next(&mut state) - 0.5).collect();
        for k in 0..n {
            a[k * n + k] += 8.0;
        }
        let (mut one, mut other) = (a.clone(), a.clone());
        let logs =
            (invert_small(&mut one, n).expect("regular"), invert_large(&mut other, n).expect("regular"));
        assert!((logs.0 - logs.1).abs() < 1e-10);
        for row in 0..n {
            for column in 0..n {
                assert!((one[row * n + column] - other[row * n + column]).abs() < 1e-12);
                let unit: f64 = (0..n).map(|k| a[row * n + k] * other[k * n + column]).sum();
                assert!((unit - f64::from(u8::from(row == column))).abs() < 1e-12);
            }
        }
        assert!(invert_large(&mut [0.0; 4], 2).is_none());
    }

    #[test]
    fn scores_far_beyond_what_an_exponential_holds_change_nothing() {
        let base = [(0, 1, 0.3), (0, 2, -0.2), (1, 2, 0.9), (2, 1, 0.1)];
        let edges = |shift: f64| base.map(|(from, to, score)| Edge { from, to, score: score + shift });
        let (plain, _) = marginals(3, &edges(0.0), Roots::Any).expect("a tree exists");
        let (shifted, _) = marginals(3, &edges(5_000.0), Roots::Any).expect("a tree exists");
        for (a, b) in plain.iter().zip(&shifted) {
            assert!((a - b).abs() < 1e-12);
        }
    }

    #[test]
    fn without_a_tree_there_is_nothing() {
        assert!(marginals(3, &[Edge { from: 0, to: 1, score: 0.0 }], Roots::Any).is_none());
    }
}
