//! How much an upload may ask for.

use serde::{Deserialize, Serialize};

/// Limits of intake. Each key is a configuration key; exceeding one is a 413-class fault that names it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Limits {
    /// Bytes of all files together, after decompression.
    pub total_bytes: u64,
    /// Bytes of one JSON document (a plan, a .gltf without its data URIs counted apart, or a GLB's JSON chunk).
    pub json_bytes: u64,
    /// Values in one JSON document, of any kind.
    pub elements: u64,
    /// glTF nodes.
    pub nodes: u64,
    /// Joints of a rig.
    pub joints: u64,
    /// Vertices of all primitives together.
    pub vertices: u64,
    /// Triangle corners of all primitives together.
    pub indices: u64,
    /// Animation values of all channels together.
    pub animation_values: u64,
    /// Decoded bytes of compressed buffers and attributes together.
    pub decoded_bytes: u64,
    /// Bytes of one name.
    pub name_bytes: u64,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            total_bytes: 512 << 20,
            json_bytes: 128 << 20,
            elements: 1_500_000,
            nodes: 100_000,
            joints: 5_000,
            vertices: 8_000_000,
            indices: 48_000_000,
            animation_values: 64_000_000,
            decoded_bytes: 1 << 30,
            name_bytes: 4_096,
        }
    }
}
