//! How a document travels: as GLB, as JSON that holds its buffer, or as JSON and a file.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use serde_json::{Value, json};

use super::Scene;
use super::document::{Document, document};
use super::storage::Storage;

/// The scene as a GLB.
pub fn write_glb(scene: &Scene, storage: &Storage) -> Vec<u8> {
    let Document { root, bin } = document(scene, *storage);
    let mut text = Value::Object(root).to_string().into_bytes();
    text.resize(text.len().next_multiple_of(4), b' ');
    let mut out = Vec::with_capacity(28 + text.len() + bin.len());
    let total = 12 + 8 + text.len() + if bin.is_empty() { 0 } else { 8 + bin.len() };
    out.extend(b"glTF");
    out.extend(2_u32.to_le_bytes());
    out.extend((total as u32).to_le_bytes());
    out.extend((text.len() as u32).to_le_bytes());
    out.extend(b"JSON");
    out.extend(text);
    if !bin.is_empty() {
        out.extend((bin.len() as u32).to_le_bytes());
        out.extend(b"BIN\0");
        out.extend(bin);
    }
    out
}

/// The scene as glTF JSON with its buffer as a data URI.
pub fn write_embedded(scene: &Scene, storage: &Storage) -> Vec<u8> {
    let Document { root, bin } = document(scene, *storage);
    let uri = format!("data:application/octet-stream;base64,{}", STANDARD.encode(bin));
    with_uri(root.into(), &uri)
}

/// The scene as glTF JSON and the buffer that it names.
pub fn write_separate(scene: &Scene, storage: &Storage, buffer: &str) -> (Vec<u8>, Vec<u8>) {
    let Document { root, bin } = document(scene, *storage);
    (with_uri(root.into(), buffer), bin)
}

fn with_uri(mut root: Value, uri: &str) -> Vec<u8> {
    if let Some(first) = root.pointer_mut("/buffers/0") {
        first["uri"] = json!(uri);
    }
    root.to_string().into_bytes()
}
