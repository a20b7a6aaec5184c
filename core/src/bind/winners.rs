//! Which joint wins where, in colours: joints whose skin meets get different ones.

use std::collections::BTreeMap;

use super::TrialBind;

/// sRGB. Any two of them differ by a CIE 1976 ΔE of at least 23, ten times what is just seen, for trichromats, protanopes,
/// deuteranopes and tritanopes alike (Machado, Oliveira, Fernandes 2009); found by a search over colours of moderate chroma.
pub const PALETTE: [&str; 8] =
    ["#6655bb", "#eecc66", "#117755", "#00ccff", "#883300", "#99aa77", "#774477", "#998800"];

/// The colour of each joint of a trial bind.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Winners {
    /// By bound joint, a number in [`PALETTE`].
    pub colours: Vec<usize>,
}

impl Winners {
    /// Larger skins choose first; each joint takes the colour that it meets along the shortest border, the least used
    /// of equals.
    pub fn new(bind: &TrialBind) -> Self {
        let mut borders: Vec<BTreeMap<u32, f64>> = vec![BTreeMap::new(); bind.joints.len()];
        for corners in &bind.graph.triangles {
            for (a, b) in [(0, 1), (1, 2), (2, 0)] {
                let (a, b) = (corners[a] as usize, corners[b] as usize);
                if let (Some(one), Some(other)) = (bind.rows[a].dominant(), bind.rows[b].dominant())
                    && one != other
                {
                    let length = bind.graph.points[a].distance(bind.graph.points[b]);
                    *borders[one as usize].entry(other).or_default() += length;
                    *borders[other as usize].entry(one).or_default() += length;
                }
            }
        }
        let owned = bind.owned();
        let mut order: Vec<usize> = (0..bind.joints.len()).collect();
        order.sort_by(|a, b| owned[*b].total_cmp(&owned[*a]).then(a.cmp(b)));
        let mut colours: Vec<Option<usize>> = vec![None; bind.joints.len()];
        let mut used = [0_u32; PALETTE.len()];
        for slot in order {
            let mut met = [0.0_f64; PALETTE.len()];
            for (other, length) in &borders[slot] {
                if let Some(colour) = colours[*other as usize] {
                    met[colour] += length;
                }
            }
            let best = (0..PALETTE.len())
                .min_by(|a, b| met[*a].total_cmp(&met[*b]).then(used[*a].cmp(&used[*b])).then(a.cmp(b)));
            let colour = best.unwrap_or(0);
            used[colour] += 1;
            colours[slot] = Some(colour);
        }
        Self { colours: colours.into_iter().map(|colour| colour.unwrap_or(0)).collect() }
    }

    /// The colour of a bound joint, as CSS writes it.
    pub fn css(&self, slot: u32) -> &'static str {
        PALETTE[self.colours[slot as usize]]
    }
}

/// The linear components of a colour as CSS writes it, 0 to 1 (IEC 61966-2-1).
pub(crate) fn linear(css: &str) -> [f32; 3] {
    [1, 3, 5].map(|at| {
        let byte = css.get(at..at + 2).and_then(|pair| u8::from_str_radix(pair, 16).ok()).unwrap_or(0);
        let value = f32::from(byte) / 255.0;
        if value <= 0.040_45 { value / 12.92 } else { ((value + 0.055) / 1.055).powf(2.4) }
    })
}
