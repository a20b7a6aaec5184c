//! A document moved, turned or scaled as a whole.

use std::collections::BTreeSet;

use glam::{DQuat, DVec3};
use serde_json::{Value, json};

/// A rigid motion after a uniform scale, about the world's origin.
pub(crate) struct Motion {
    pub(crate) turn: DQuat,
    pub(crate) offset: DVec3,
    pub(crate) scale: f64,
}

impl Motion {
    fn point(&self, value: &Value) -> Value {
        let read: [f64; 3] = serde_json::from_value(value.clone()).unwrap();
        json!((self.turn * DVec3::from_array(read) * self.scale + self.offset).to_array())
    }
}

/// The plan or GLB, moved as a whole: a plan's numbers, a glTF's nodes without parent.
pub(crate) fn moved(bytes: &[u8], motion: &Motion) -> Vec<u8> {
    if !bytes.starts_with(b"glTF") {
        let mut plan: Value = serde_json::from_slice(bytes).unwrap();
        for joint in plan["joints"].as_array_mut().unwrap() {
            for key in ["origin", "tip"] {
                if let Some(point) = joint.get_mut(key) {
                    *point = motion.point(point);
                }
            }
            if let Some(orientation) = joint.get_mut("orientation") {
                *orientation = turned(orientation, motion.turn);
            }
        }
        for piece in plan["pieces"].as_array_mut().into_iter().flatten() {
            if let Some(pivot) = piece.get_mut("pivot").filter(|pivot| !pivot.is_null()) {
                *pivot = motion.point(pivot);
            }
        }
        return plan.to_string().into_bytes();
    }
    let (mut document, binary) = unpack(bytes);
    let nodes = document["nodes"].as_array_mut().unwrap();
    let children: BTreeSet<u64> = nodes
        .iter()
        .flat_map(|node| node["children"].as_array().into_iter().flatten().filter_map(Value::as_u64))
        .collect();
    for (index, node) in nodes.iter_mut().enumerate() {
        if children.contains(&(index as u64)) {
            continue;
        }
        let translation = node.get("translation").cloned().unwrap_or(json!([0.0, 0.0, 0.0]));
        let rotation = node.get("rotation").cloned().unwrap_or(json!([0.0, 0.0, 0.0, 1.0]));
        let scale = node.get("scale").cloned().unwrap_or(json!([1.0, 1.0, 1.0]));
        let scale: [f64; 3] = serde_json::from_value(scale).unwrap();
        node["translation"] = motion.point(&translation);
        node["rotation"] = turned(&rotation, motion.turn);
        node["scale"] = json!(scale.map(|s| s * motion.scale));
    }
    pack(&document, &binary)
}

/// A quaternion as written, turned in the world; its length stays.
fn turned(written: &Value, turn: DQuat) -> Value {
    let read: [f64; 4] = serde_json::from_value(written.clone()).unwrap();
    json!((turn * DQuat::from_array(read)).to_array())
}

fn unpack(bytes: &[u8]) -> (Value, Vec<u8>) {
    let length = |at: usize| u32::from_le_bytes(bytes[at..at + 4].try_into().unwrap()) as usize;
    let end = 20 + length(12);
    let binary = if bytes.len() > end { bytes[end + 8..end + 8 + length(end)].to_vec() } else { Vec::new() };
    (serde_json::from_slice(&bytes[20..end]).unwrap(), binary)
}

fn pack(document: &Value, binary: &[u8]) -> Vec<u8> {
    let mut text = document.to_string().into_bytes();
    text.resize(text.len().next_multiple_of(4), b' ');
    let mut out = b"glTF".to_vec();
    out.extend(2_u32.to_le_bytes());
    out.extend(((28 + text.len() + binary.len()) as u32).to_le_bytes());
    for (kind, chunk) in [(b"JSON", text.as_slice()), (b"BIN\0", binary)] {
        out.extend((chunk.len() as u32).to_le_bytes());
        out.extend(kind);
        out.extend(chunk);
    }
    out
}
