//! Attributes that lie beside a Draco mesh, in plain accessors (`KHR_draco_mesh_compression`: the extension lists what
//! it holds; the rest is read as ever).
#![expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use condyle_core::intake::{Bundle, Limits, Upload, read};
use serde_json::json;

/// `DracoPy` 2.2.0: `encode([[0,0,0],[1,0,0],[0,1,0],[0,0,1]], [[0,2,1],[0,1,3],[0,3,2],[1,2,3]], quantization_bits=14,
/// compression_level=1, preserve_order=True)`; its own `decode` gives back those points and faces, attribute id 0.
const TETRAHEDRON: &str = "445241434f0202010000000404010002010001030003020102030101000903000002000101000303012001200300208488810100000000ff3f00000000000000000000000000000000803f0e";

#[test]
fn joints_and_weights_beside_a_draco_mesh_come_from_their_accessors() {
    let mut bytes: Vec<u8> = (0..TETRAHEDRON.len())
        .step_by(2)
        .map(|at| u8::from_str_radix(&TETRAHEDRON[at..at + 2], 16).unwrap())
        .collect();
    let draco = bytes.len();
    assert_eq!(draco % 4, 0);
    let joints: [[u8; 4]; 4] = [[0, 1, 0, 0], [1, 0, 0, 0], [1, 0, 0, 0], [0, 0, 0, 0]];
    let weights: [[f32; 4]; 4] =
        [[0.75, 0.25, 0.0, 0.0], [1.0, 0.0, 0.0, 0.0], [0.5, 0.5, 0.0, 0.0], [1.0, 0.0, 0.0, 0.0]];
    bytes.extend(joints.as_flattened());
    bytes.extend(weights.as_flattened().iter().flat_map(|weight| weight.to_le_bytes()));
    let hex: String = bytes.iter().map(|byte| format!("%{byte:02X}")).collect();
    let document = json!({
        "asset": {"version": "2.0"},
        "extensionsUsed": ["KHR_draco_mesh_compression"],
        "extensionsRequired": ["KHR_draco_mesh_compression"],
        "nodes": [{"name": "keel"}, {"name": "rudder"}, {"mesh": 0, "skin": 0}],
        "skins": [{"joints": [0, 1]}],
        "meshes": [{"primitives": [{
            "attributes": {"POSITION": 0, "JOINTS_0": 1, "WEIGHTS_0": 2},
            "indices": 3,
            "extensions": {"KHR_draco_mesh_compression": {"bufferView": 0, "attributes": {"POSITION": 0}}},
        }]}],
        "accessors": [
            {"componentType": 5126, "count": 4, "type": "VEC3", "min": [0, 0, 0], "max": [1, 1, 1]},
            {"bufferView": 1, "componentType": 5121, "count": 4, "type": "VEC4"},
            {"bufferView": 2, "componentType": 5126, "count": 4, "type": "VEC4"},
            {"componentType": 5123, "count": 12, "type": "SCALAR"},
        ],
        "bufferViews": [
            {"buffer": 0, "byteLength": draco},
            {"buffer": 0, "byteOffset": draco, "byteLength": 16},
            {"buffer": 0, "byteOffset": draco + 16, "byteLength": 64},
        ],
        "buffers": [{"byteLength": bytes.len(), "uri": format!("data:application/octet-stream,{hex}")}],
    });
    let text = document.to_string();
    let bundle =
        Bundle { model: Some(Upload { name: "x.gltf", bytes: text.as_bytes() }), ..Bundle::default() };
    let intake = read(&bundle, &Limits::default()).unwrap();
    let primitive = &intake.rig.meshes[0].primitives[0];
    assert_eq!(primitive.positions.len(), 4);
    assert_eq!(primitive.triangles.len(), 4);
    let influences = &primitive.influences[0];
    assert_eq!(influences.joints, joints.map(|row| row.map(u16::from)));
    assert_eq!(influences.weights, weights);
    // Each vertex stands where the encoder was given it, whatever the order (14 bits over one metre: 0.06 mm).
    for (position, expected) in primitive.positions.iter().zip([
        [0.0, 0.0, 0.0],
        [1.0, 0.0, 0.0],
        [0.0, 1.0, 0.0],
        [0.0, 0.0, 1.0_f32],
    ]) {
        assert!(position.iter().zip(expected).all(|(a, b)| (a - b).abs() < 1e-4), "{position:?}");
    }
    assert!(intake.rig.unread.is_empty(), "{:?}", intake.rig.unread);
}
