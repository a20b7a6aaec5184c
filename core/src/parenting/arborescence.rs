//! The best tree: a maximum spanning arborescence (Chu and Liu 1965, Edmonds 1967), cycles contracted level by level.
//!
//! Node 0 stands for "no parent", so several roots are simply several edges from it.

/// A directed edge with its score; larger is better.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Edge {
    /// The parent; 0 stands for none.
    pub from: usize,
    /// The child, 1 or more.
    pub to: usize,
    /// The score; edges whose score is not finite are not used.
    pub score: f64,
}

/// The indices into `edges` of a best tree over nodes 0..`count`, per child; `None` where some node cannot be reached.
/// Among equal scores the earlier edge wins.
pub fn best_tree(count: usize, edges: &[Edge]) -> Option<Vec<usize>> {
    let mut levels: Vec<Level> = Vec::new();
    let mut now: Vec<Work> = edges
        .iter()
        .enumerate()
        .filter(|(_, edge)| edge.score.is_finite() && edge.from != edge.to && edge.to != 0)
        .filter(|(_, edge)| edge.from < count && edge.to < count)
        .map(|(index, edge)| Work { from: edge.from, to: edge.to, score: edge.score, below: index })
        .collect();
    let mut nodes = count;
    loop {
        let mut best: Vec<Option<usize>> = vec![None; nodes];
        for (index, edge) in now.iter().enumerate() {
            if best[edge.to].is_none_or(|other| edge.score > now[other].score) {
                best[edge.to] = Some(index);
            }
        }
        if best.iter().skip(1).any(Option::is_none) {
            return None;
        }
        let ring_of = rings(&best, &now);
        let rings = ring_of.iter().flatten().max().map_or(0, |most| most + 1);
        if rings == 0 {
            let mut chosen: Vec<usize> = best.into_iter().flatten().map(|index| now[index].below).collect();
            while let Some(level) = levels.pop() {
                chosen = level.open(&chosen);
            }
            chosen.sort_by_key(|index| edges[*index].to);
            return Some(chosen);
        }
        // The root stays node 0; then the nodes outside rings, then one node for each ring.
        let mut renumbered = vec![0; nodes];
        let mut next = 1;
        for node in 1..nodes {
            if ring_of[node].is_none() {
                renumbered[node] = next;
                next += 1;
            }
        }
        for node in 1..nodes {
            if let Some(ring) = ring_of[node] {
                renumbered[node] = next + ring;
            }
        }
        let mut smaller = Vec::with_capacity(now.len());
        for (index, edge) in now.iter().enumerate() {
            let (from, to) = (renumbered[edge.from], renumbered[edge.to]);
            if from == to {
                continue;
            }
            let replaced = match (ring_of[edge.to], best[edge.to]) {
                (Some(_), Some(own)) => now[own].score,
                _ => 0.0,
            };
            smaller.push(Work { from, to, score: edge.score - replaced, below: index });
        }
        levels.push(Level { edges: now, best, ring_of });
        now = smaller;
        nodes = next + rings;
    }
}

/// An edge of one level; `below` is its index one level down (at the bottom: in the caller's list).
#[derive(Debug, Clone, Copy)]
struct Work {
    from: usize,
    to: usize,
    score: f64,
    below: usize,
}

/// A level that was contracted.
struct Level {
    edges: Vec<Work>,
    best: Vec<Option<usize>>,
    ring_of: Vec<Option<usize>>,
}

impl Level {
    /// From this level's edges of the tree (one into each node outside rings, one into each ring) to those one level down.
    fn open(&self, chosen: &[usize]) -> Vec<usize> {
        let mut entered = vec![false; self.best.len()];
        let mut out = Vec::with_capacity(self.best.len());
        for index in chosen {
            entered[self.edges[*index].to] = true;
            out.push(self.edges[*index].below);
        }
        for (node, own) in self.best.iter().enumerate() {
            if let (Some(own), Some(_), false) = (own, self.ring_of[node], entered[node]) {
                out.push(self.edges[*own].below);
            }
        }
        out
    }
}

/// The ring each node lies on, when every node follows its best edge.
fn rings(best: &[Option<usize>], edges: &[Work]) -> Vec<Option<usize>> {
    let mut ring_of = vec![None; best.len()];
    let mut seen = vec![0_usize; best.len()];
    let mut count = 0;
    for start in 1..best.len() {
        let mut node = start;
        while node != 0 && seen[node] == 0 {
            seen[node] = start;
            node = best[node].map_or(0, |edge| edges[edge].from);
        }
        if node != 0 && seen[node] == start && ring_of[node].is_none() {
            let mut at = node;
            loop {
                ring_of[at] = Some(count);
                at = best[at].map_or(0, |edge| edges[edge].from);
                if at == node {
                    break;
                }
            }
            count += 1;
        }
    }
    ring_of
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

    /// A small generator for test data (Marsaglia's xorshift, 64 bit).
    fn next(state: &mut u64) -> f64 {
        *state ^= *state << 13;
        *state ^= *state >> 7;
        *state ^= *state << 17;
        (*state >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Every assignment of parents without a loop.
    fn exhaustive(count: usize, score: &[Vec<f64>]) -> f64 {
        let n = count - 1;
        let mut best = f64::NEG_INFINITY;
        for code in 0..count.pow(n as u32) {
            let parent: Vec<usize> = (0..n).map(|i| code / count.pow(i as u32) % count).collect();
            let sound = (0..n).all(|start| {
                let mut node = start + 1;
                (0..=n).any(|_| {
                    node = parent[node - 1];
                    node == 0
                })
            });
            if sound {
                best = best.max((0..n).map(|i| score[parent[i]][i + 1]).sum());
            }
        }
        best
    }

    #[test]
    fn it_is_as_good_as_the_best_of_all_trees() {
        let mut state = 0x9E37_79B9_7F4A_7C15;
        for round in 0..200 {
            let count = 2 + round % 5;
            let mut score = vec![vec![f64::NEG_INFINITY; count]; count];
            let mut edges = Vec::new();
            for from in 0..count {
                for to in 1..count {
                    if from != to {
                        score[from][to] = (next(&mut state) * 10.0).round() - 5.0;
                        edges.push(Edge { from, to, score: score[from][to] });
                    }
                }
            }
            let tree = best_tree(count, &edges).expect("complete");
            let total: f64 = tree.iter().map(|index| edges[*index].score).sum();
            assert!((total - exhaustive(count, &score)).abs() < 1e-12, "round {round}");
            for (node, index) in tree.iter().enumerate() {
                assert_eq!(edges[*index].to, node + 1, "one edge into each node");
            }
        }
    }

    #[test]
    fn a_node_that_nothing_reaches_has_no_tree() {
        let edges = [Edge { from: 1, to: 2, score: 1.0 }, Edge { from: 2, to: 1, score: 1.0 }];
        assert_eq!(best_tree(3, &edges), None);
        assert_eq!(best_tree(1, &[]), Some(vec![]));
    }
}
