//! How a scene is stored: the variants that real files have.

/// Component type of weights.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum WeightType {
    /// 32-bit float.
    #[default]
    Float,
    /// Bytes that sum to exactly 255.
    Unorm8,
    /// Shorts that sum to exactly 65535.
    Unorm16,
}

/// Storage options.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[expect(clippy::struct_excessive_bools, reason = "independent choices")]
pub struct Storage {
    /// How weights are stored.
    pub weights: WeightType,
    /// Positions as normalised shorts (`KHR_mesh_quantization`); the box folds into nodes and inverse bind matrices.
    pub quantise: bool,
    /// Vertex data and indices compressed (`EXT_meshopt_compression`).
    pub meshopt: bool,
    /// All attributes of a mesh in one view, side by side.
    pub interleaved: bool,
    /// A part of every attribute as a sparse accessor.
    pub sparse: bool,
}

/// Integers that sum exactly to `whole` (largest remainder), for weights that sum to one.
pub(super) fn integers(weights: &[f32], whole: u32) -> Vec<u32> {
    let exact: Vec<f64> = weights.iter().map(|w| f64::from(*w) * f64::from(whole)).collect();
    let mut out: Vec<u32> = exact.iter().map(|e| e.floor().max(0.0) as u32).collect();
    let missing = whole.saturating_sub(out.iter().sum());
    let mut order: Vec<usize> = (0..out.len()).collect();
    order.sort_by(|a, b| (exact[*b] - exact[*b].floor()).total_cmp(&(exact[*a] - exact[*a].floor())));
    for slot in order.into_iter().take(missing as usize) {
        out[slot] += 1;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::integers;

    /// The two examples of the standards sheet §1.4.
    #[test]
    fn largest_remainder_sums_exactly() {
        assert_eq!(integers(&[0.25; 4], 255), [64, 64, 64, 63]);
        assert_eq!(integers(&[0.4, 0.3, 0.2, 0.1], 255), [102, 77, 51, 25]);
    }
}
