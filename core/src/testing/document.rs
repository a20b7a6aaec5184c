//! What the notation says about a glTF's JSON that no scene holds: cameras and the humanoid map.

use serde_json::{Value, json};

use super::parse::Text;

/// The GLB with its JSON document changed; `None` when the bytes are no GLB.
pub fn with_document(glb: &[u8], change: impl FnOnce(&mut Value)) -> Option<Vec<u8>> {
    let length = u32::from_le_bytes(glb.get(12..16)?.try_into().ok()?) as usize;
    let mut document: Value = serde_json::from_slice(glb.get(20..20 + length)?).ok()?;
    change(&mut document);
    let mut text = document.to_string().into_bytes();
    text.resize(text.len().next_multiple_of(4), b' ');
    let rest = glb.get(20 + length..)?;
    let total = u32::try_from(20 + text.len() + rest.len()).ok()?;
    let mut out = glb.get(..8)?.to_vec();
    out.extend(total.to_le_bytes());
    out.extend(u32::try_from(text.len()).ok()?.to_le_bytes());
    out.extend(b"JSON");
    out.extend(text);
    out.extend(rest);
    Some(out)
}

/// Adds what the text says beyond its scene.
pub(super) fn extended(glb: Vec<u8>, text: &Text) -> Vec<u8> {
    if text.cameras.is_empty() && text.humanoid.is_empty() {
        return glb;
    }
    let changed = with_document(&glb, |document| {
        for joint in &text.cameras {
            let view = json!({"type": "perspective", "perspective": {"yfov": 0.8, "znear": 0.1}});
            let camera = push(&mut document["cameras"], view);
            let node = push(&mut document["nodes"], json!({"name": "camera", "camera": camera}));
            push(&mut document["nodes"][joint]["children"], json!(node));
        }
        if !text.humanoid.is_empty() {
            let bones: serde_json::Map<String, Value> =
                text.humanoid.iter().map(|(bone, joint)| (bone.clone(), json!({"node": joint}))).collect();
            push(&mut document["extensionsUsed"], json!("VRMC_vrm"));
            document["extensions"]["VRMC_vrm"] =
                json!({"specVersion": "1.0", "humanoid": {"humanBones": bones}});
        }
    });
    changed.unwrap_or(glb)
}

/// Appends to a list that may not be there yet; its place in the list.
fn push(list: &mut Value, item: Value) -> usize {
    if list.is_null() {
        *list = json!([]);
    }
    let Some(list) = list.as_array_mut() else { return 0 };
    list.push(item);
    list.len() - 1
}
