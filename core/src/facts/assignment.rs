//! The optimal assignment (Hungarian method with potentials; Kuhn 1955, Munkres 1957, O(n³)).

/// For each row of a square cost matrix (row-major) the column of an optimal assignment.
pub(super) fn assign(cost: &[f64], n: usize) -> Vec<usize> {
    debug_assert_eq!(cost.len(), n * n);
    let mut row_potential = vec![0.0; n + 1];
    let mut column_potential = vec![0.0; n + 1];
    // 1-based; column 0 is the entry point of each search.
    let mut row_of = vec![0_usize; n + 1];
    let mut way = vec![0_usize; n + 1];
    for row in 1..=n {
        row_of[0] = row;
        let mut least = vec![f64::INFINITY; n + 1];
        let mut used = vec![false; n + 1];
        let mut column = 0;
        loop {
            used[column] = true;
            let current = row_of[column];
            let (mut delta, mut next) = (f64::INFINITY, 0);
            for j in 1..=n {
                if used[j] {
                    continue;
                }
                let reduced = cost[(current - 1) * n + j - 1] - row_potential[current] - column_potential[j];
                if reduced < least[j] {
                    least[j] = reduced;
                    way[j] = column;
                }
                if least[j] < delta || next == 0 {
                    delta = least[j];
                    next = j;
                }
            }
            for j in 0..=n {
                if used[j] {
                    row_potential[row_of[j]] += delta;
                    column_potential[j] -= delta;
                } else {
                    least[j] -= delta;
                }
            }
            column = next;
            if row_of[column] == 0 {
                break;
            }
        }
        while column != 0 {
            let previous = way[column];
            row_of[column] = row_of[previous];
            column = previous;
        }
    }
    let mut result = vec![0; n];
    for column in 1..=n {
        result[row_of[column] - 1] = column - 1;
    }
    result
}

#[cfg(test)]
mod tests {
    use super::assign;

    /// The worked example of `scipy.optimize.linear_sum_assignment`'s documentation: columns 1, 0, 2, cost 5.
    #[test]
    fn agrees_with_a_published_example() {
        let cost = [4.0, 1.0, 3.0, 2.0, 0.0, 5.0, 3.0, 2.0, 2.0];
        assert_eq!(assign(&cost, 3), [1, 0, 2]);
    }
    /// Random matrices whose one optimum scipy found (`tests/outside/assignment.py` made the fixture).
    #[test]
    fn agrees_with_scipy() {
        let text = include_str!("../../tests/fixtures/assignment.json");
        let fixture: serde_json::Value = serde_json::from_str(text).unwrap_or_default();
        let matrices = fixture["matrices"].as_array().cloned().unwrap_or_default();
        assert!(matrices.len() > 15);
        for one in matrices {
            let n = one["size"].as_u64().unwrap_or_default() as usize;
            let cost: Vec<f64> =
                one["cost"].as_array().into_iter().flatten().filter_map(|c| c.as_f64()).collect();
            let columns: Vec<u64> =
                one["columns"].as_array().into_iter().flatten().filter_map(|c| c.as_u64()).collect();
            let found: Vec<u64> = assign(&cost, n).into_iter().map(|column| column as u64).collect();
            assert_eq!(found, columns, "{n} by {n}");
        }
    }
}
