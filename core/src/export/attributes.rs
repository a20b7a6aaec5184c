//! A mesh's attributes as the bytes that a storage asks for.

use serde_json::{Value, json};

use super::SceneMesh;
use super::document::Fold;
use super::storage::{Storage, WeightType, integers};

/// An attribute, tightly packed.
pub(super) struct Attribute {
    pub(super) name: String,
    pub(super) bytes: Vec<u8>,
    /// Bytes of an element, padded to four.
    pub(super) stride: usize,
    component: u32,
    kind: &'static str,
    normalized: bool,
    bounds: Option<([f64; 3], [f64; 3])>,
}

impl Attribute {
    /// Its accessor without a view.
    pub(super) fn accessor(&self, count: usize) -> Value {
        let mut out = json!({"componentType": self.component, "count": count, "type": self.kind});
        if self.normalized {
            out["normalized"] = json!(true);
        }
        if let Some((low, high)) = self.bounds {
            out["min"] = json!(low);
            out["max"] = json!(high);
        }
        out
    }
}

/// All attributes of a mesh.
pub(super) fn attributes(mesh: &SceneMesh, storage: Storage, fold: Option<Fold>) -> Vec<Attribute> {
    let mut out = vec![positions(mesh, fold)];
    if !mesh.normals.is_empty() {
        out.push(Attribute {
            name: "NORMAL".to_owned(),
            bytes: mesh.normals.iter().flatten().flat_map(|v| v.to_le_bytes()).collect(),
            stride: 12,
            component: 5126,
            kind: "VEC3",
            normalized: false,
            bounds: None,
        });
    }
    if !mesh.colours.is_empty() {
        out.push(Attribute {
            name: "COLOR_0".to_owned(),
            bytes: mesh.colours.iter().flatten().copied().collect(),
            stride: 4,
            component: 5121,
            kind: "VEC4",
            normalized: true,
            bounds: None,
        });
    }
    let sets = mesh.influences.iter().map(Vec::len).max().unwrap_or(0).div_ceil(4);
    for set in 0..sets {
        out.extend(influences(mesh, set, storage.weights));
    }
    out
}

fn bounds(count: usize, value: impl Fn(usize, usize) -> f64) -> ([f64; 3], [f64; 3]) {
    let finite = |axis: usize| (0..count).map(move |v| (v, axis));
    let fold = |start: f64, pick: fn(f64, f64) -> f64| {
        [0, 1, 2].map(|axis| {
            finite(axis).map(|(v, axis)| value(v, axis)).filter(|v| v.is_finite()).fold(start, pick)
        })
    };
    (fold(f64::MAX, f64::min), fold(f64::MIN, f64::max))
}

fn positions(mesh: &SceneMesh, fold: Option<Fold>) -> Attribute {
    let count = mesh.positions.len();
    let name = "POSITION".to_owned();
    let Some(fold) = fold else {
        let bounds = bounds(count, |v, axis| f64::from(mesh.positions[v][axis]));
        let bytes = mesh.positions.iter().flatten().flat_map(|v| v.to_le_bytes()).collect();
        return Attribute {
            name,
            bytes,
            stride: 12,
            component: 5126,
            kind: "VEC3",
            normalized: false,
            bounds: Some(bounds),
        };
    };
    let value = |v: usize, axis: usize| {
        let share = (mesh.positions[v][axis] - fold.low[axis]) / fold.size;
        f64::from((share * 65_535.0).round().clamp(0.0, 65_535.0))
    };
    let mut bytes = Vec::with_capacity(count * 8);
    for v in 0..count {
        for axis in 0..3 {
            bytes.extend((value(v, axis) as u16).to_le_bytes());
        }
        bytes.extend([0, 0]);
    }
    let bounds = Some(bounds(count, value));
    Attribute { name, bytes, stride: 8, component: 5123, kind: "VEC3", normalized: true, bounds }
}

/// Joints and weights of a set.
fn influences(mesh: &SceneMesh, set: usize, kind: WeightType) -> [Attribute; 2] {
    let count = mesh.positions.len();
    let (mut joints, mut weights) = (Vec::with_capacity(count * 8), Vec::with_capacity(count * 16));
    for row in &mesh.influences {
        let all: Vec<f32> = row.iter().map(|(_, w)| *w).collect();
        let whole = match kind {
            WeightType::Float => None,
            WeightType::Unorm8 => Some(integers(&all, 255)),
            WeightType::Unorm16 => Some(integers(&all, 65_535)),
        };
        for slot in set * 4..set * 4 + 4 {
            let (joint, weight) = row.get(slot).copied().unwrap_or((0, 0.0));
            let integer = whole.as_ref().and_then(|w| w.get(slot)).copied().unwrap_or(0);
            // What rounds to nothing names no joint.
            let joint = if whole.is_some() && integer == 0 { 0 } else { joint };
            joints.extend(joint.to_le_bytes());
            match kind {
                WeightType::Float => weights.extend(weight.to_le_bytes()),
                WeightType::Unorm8 => weights.push(integer as u8),
                WeightType::Unorm16 => weights.extend((integer as u16).to_le_bytes()),
            }
        }
    }
    let (component, stride) = match kind {
        WeightType::Float => (5126, 16),
        WeightType::Unorm8 => (5121, 4),
        WeightType::Unorm16 => (5123, 8),
    };
    [
        Attribute {
            name: format!("JOINTS_{set}"),
            bytes: joints,
            stride: 8,
            component: 5123,
            kind: "VEC4",
            normalized: false,
            bounds: None,
        },
        Attribute {
            name: format!("WEIGHTS_{set}"),
            bytes: weights,
            stride,
            component,
            kind: "VEC4",
            normalized: component != 5126,
            bounds: None,
        },
    ]
}
