//! A minimal GLB of a scene: one skin, one tube mesh, one node per joint.

use std::f64::consts::TAU;

use glam::{DMat4, DQuat, DVec3};
use serde_json::{Value, json};

use super::notation::{point, quaternion};
use super::parse::{Fault, Scene};

/// Points around a tube; even, so that a mirrored tube has mirrored points.
const AROUND: usize = 8;
/// Where the rings of a tube stand, and how much of the skin there is the joint's own.
const RINGS: [(f64, f64); 4] = [(0.0, 0.5), (0.25, 1.0), (0.75, 1.0), (1.0, 0.5)];

/// The binary chunk and what describes it.
#[derive(Default)]
struct Buffer {
    bytes: Vec<u8>,
    views: Vec<Value>,
    accessors: Vec<Value>,
}

impl Buffer {
    /// Adds an accessor with a view of its own; returns its index.
    fn add(
        &mut self,
        bytes: Vec<u8>,
        component: u32,
        kind: &str,
        count: usize,
        bounds: Option<[Value; 2]>,
    ) -> usize {
        self.bytes.resize(self.bytes.len().next_multiple_of(4), 0);
        self.views.push(json!({"buffer": 0, "byteOffset": self.bytes.len(), "byteLength": bytes.len()}));
        let mut accessor = json!({
            "bufferView": self.views.len() - 1, "componentType": component, "type": kind, "count": count,
        });
        if let Some([low, high]) = bounds {
            accessor["min"] = low;
            accessor["max"] = high;
        }
        self.bytes.extend(bytes);
        self.accessors.push(accessor);
        self.accessors.len() - 1
    }

    fn floats(&mut self, values: impl IntoIterator<Item = f32>, kind: &str, width: usize) -> usize {
        let values: Vec<f32> = values.into_iter().collect();
        let end = |pick: fn(f32, f32) -> f32, from: f32| -> Value {
            (0..width).map(|at| values.iter().skip(at).step_by(width).copied().fold(from, pick)).collect()
        };
        let bounds = matches!(kind, "VEC3" | "SCALAR")
            .then(|| [end(f32::min, f32::INFINITY), end(f32::max, f32::NEG_INFINITY)]);
        let bytes = values.iter().flat_map(|v| v.to_le_bytes()).collect();
        self.add(bytes, 5126, kind, values.len() / width, bounds)
    }

    fn shorts(&mut self, values: impl IntoIterator<Item = u16>, kind: &str, width: usize) -> usize {
        let values: Vec<u16> = values.into_iter().collect();
        let bytes = values.iter().flat_map(|v| v.to_le_bytes()).collect();
        self.add(bytes, 5123, kind, values.len() / width, None)
    }
}

#[derive(Default)]
struct Skin {
    positions: Vec<DVec3>,
    joints: Vec<[u16; 4]>,
    weights: Vec<[f32; 4]>,
    triangles: Vec<u16>,
}

/// A tube around each segment of a joint that has no role.
fn tubes(scene: &Scene, radius: f64) -> Skin {
    let mut skin = Skin::default();
    let plain = |joint: usize| scene.joints[joint].role.is_none();
    for (index, joint) in scene.joints.iter().enumerate().filter(|(index, _)| plain(*index)) {
        let above = joint.parent.filter(|up| plain(*up));
        let below: Vec<usize> = scene.children(index).filter(|child| plain(*child)).collect();
        let mut ends: Vec<(DVec3, Option<usize>)> =
            below.iter().map(|child| (scene.joints[*child].origin, Some(*child))).collect();
        if let Some(tip) = joint.tip.filter(|tip| !ends.iter().any(|(end, _)| end.distance(*tip) < 1e-9)) {
            ends.push((tip, None));
        }
        for (end, child) in ends {
            let Some(along) = (end - joint.origin).try_normalize() else { continue };
            let aside = if along.z.abs() > 0.9 { DVec3::Y } else { DVec3::Z };
            let u = along.cross(aside).normalize();
            let v = along.cross(u);
            let first = skin.positions.len();
            for (at, own) in RINGS {
                let other = if at < 0.5 { above } else { child };
                let (own, other) = other.map_or((1.0, 0), |other| (own, other));
                let rest = 1.0 - own;
                for step in 0..AROUND {
                    let (sin, cos) = (TAU * step as f64 / AROUND as f64).sin_cos();
                    skin.positions.push(joint.origin.lerp(end, at) + (u * cos + v * sin) * radius);
                    skin.joints.push([index as u16, if rest > 0.0 { other as u16 } else { 0 }, 0, 0]);
                    skin.weights.push([own as f32, rest as f32, 0.0, 0.0]);
                }
            }
            for ring in 0..RINGS.len() - 1 {
                for step in 0..AROUND {
                    let corner = |ring: usize, step: usize| (first + ring * AROUND + step % AROUND) as u16;
                    let (a, b) = (corner(ring, step), corner(ring, step + 1));
                    let (c, d) = (corner(ring + 1, step), corner(ring + 1, step + 1));
                    skin.triangles.extend([a, b, c, b, d, c]);
                }
            }
        }
    }
    skin
}

fn spoil(skin: &mut Skin, fault: &Fault) {
    match *fault {
        Fault::Unweight(count) => {
            skin.weights.iter_mut().take(count).for_each(|w| *w = [0.0; 4]);
            skin.joints.iter_mut().take(count).for_each(|j| *j = [0; 4]);
        }
        Fault::NanWeights(count) => skin.weights.iter_mut().take(count).for_each(|w| *w = [f32::NAN; 4]),
        Fault::ScaleWeights(count, factor) => {
            let factor = factor as f32;
            skin.weights.iter_mut().take(count).for_each(|w| *w = w.map(|c| c * factor));
        }
        Fault::JointIndex { vertex, index, slot } => {
            if let Some(joints) = skin.joints.get_mut(vertex) {
                joints[slot] = index;
            }
        }
        Fault::Lengthen(..) | Fault::Pose(..) | Fault::OffScene(_) => {}
    }
}

/// Writes the scene.
pub(super) fn write(scene: &Scene) -> Vec<u8> {
    let mut buffer = Buffer::default();
    let binds: Vec<DMat4> =
        scene.joints.iter().map(|j| DMat4::from_rotation_translation(j.turn, j.origin)).collect();
    let mut places: Vec<(DVec3, DQuat)> = Vec::new();
    for (joint, bind) in scene.joints.iter().zip(&binds) {
        places.push(match joint.parent {
            Some(up) => (
                binds[up].inverse().transform_point3(joint.origin),
                (scene.joints[up].turn.inverse() * joint.turn).normalize(),
            ),
            None => (bind.w_axis.truncate(), joint.turn),
        });
    }
    let bound = places.clone();
    let mut drawn: Vec<bool> = vec![true; scene.joints.len()];
    for fault in &scene.faults {
        match fault {
            Fault::Lengthen(joint, factor) => {
                scene.children(*joint).for_each(|child| places[child].0 *= *factor);
            }
            Fault::Pose(joint, turn) => places[*joint].1 *= *turn,
            Fault::OffScene(joint) => drawn[*joint] = false,
            _ => {}
        }
    }
    let mut nodes: Vec<Value> = Vec::new();
    let mut children: Vec<Vec<usize>> =
        (0..scene.joints.len()).map(|joint| scene.children(joint).collect()).collect();
    for (joint, (offset, turn)) in scene.joints.iter().zip(&places) {
        nodes.push(json!({
            "name": joint.name,
            "translation": point(*offset),
            "rotation": quaternion(*turn, joint.factor),
        }));
    }
    let mut roots: Vec<usize> =
        (0..scene.joints.len()).filter(|j| scene.joints[*j].parent.is_none() && drawn[*j]).collect();
    // The end of a last joint is a bare node, as exporters leave it.
    for (index, joint) in scene.joints.iter().enumerate() {
        if let Some(tip) = joint.tip.filter(|_| children[index].is_empty()) {
            children[index].push(nodes.len());
            let offset = binds[index].inverse().transform_point3(tip);
            nodes.push(json!({"name": format!("{}_end", joint.name), "translation": point(offset)}));
        }
    }
    let mut meshes: Vec<Value> = Vec::new();
    let mut skins: Vec<Value> = Vec::new();
    if let Some(radius) = scene.radius {
        let mut skin = tubes(scene, radius);
        scene.faults.iter().for_each(|fault| spoil(&mut skin, fault));
        let flat = skin.positions.iter().flat_map(|p| p.as_vec3().to_array());
        let attributes = json!({
            "POSITION": buffer.floats(flat, "VEC3", 3),
            "JOINTS_0": buffer.shorts(skin.joints.into_iter().flatten(), "VEC4", 4),
            "WEIGHTS_0": buffer.floats(skin.weights.into_iter().flatten(), "VEC4", 4),
        });
        let indices = buffer.shorts(skin.triangles, "SCALAR", 1);
        meshes.push(json!({
            "name": "body",
            "primitives": [{"attributes": attributes, "indices": indices}],
        }));
        let inverse = binds.iter().flat_map(|bind| bind.inverse().as_mat4().to_cols_array());
        let inverse = buffer.floats(inverse, "MAT4", 16);
        let all: Vec<usize> = (0..scene.joints.len()).collect();
        skins.push(json!({"name": "skin", "joints": all, "inverseBindMatrices": inverse}));
        roots.push(nodes.len());
        nodes.push(json!({"name": "body", "mesh": 0, "skin": 0}));
    }
    for piece in &scene.pieces {
        let offset = piece.at.map_or(DVec3::ZERO, |at| binds[piece.by].inverse().transform_point3(at));
        let corners = [0.0, 0.0, 0.0, 0.05, 0.0, 0.0, 0.0, 0.05, 0.0];
        let position = buffer.floats(corners, "VEC3", 3);
        meshes.push(json!({"name": piece.name, "primitives": [{"attributes": {"POSITION": position}}]}));
        children[piece.by].push(nodes.len());
        nodes.push(json!({"name": piece.name, "mesh": meshes.len() - 1, "translation": point(offset)}));
    }
    for (index, list) in children.into_iter().enumerate().filter(|(_, list)| !list.is_empty()) {
        nodes[index]["children"] = json!(list);
    }
    if scene.stage {
        nodes.push(json!({"name": "stage", "children": roots}));
        roots = vec![nodes.len() - 1];
    }
    let animations = clips(scene, &bound, &mut buffer);
    let mut document = json!({
        "asset": {"version": "2.0"},
        "scene": 0,
        "scenes": [{"name": "example", "nodes": roots}],
        "nodes": nodes,
        "buffers": [{"byteLength": buffer.bytes.len()}],
        "bufferViews": buffer.views,
        "accessors": buffer.accessors,
    });
    for (name, list) in [("meshes", meshes), ("skins", skins), ("animations", animations)] {
        if !list.is_empty() {
            document[name] = Value::Array(list);
        }
    }
    pack(&document, buffer.bytes)
}

fn clips(scene: &Scene, bound: &[(DVec3, DQuat)], buffer: &mut Buffer) -> Vec<Value> {
    scene
        .clips
        .iter()
        .map(|clip| {
            let (offset, turn) = bound[clip.joint];
            let input = buffer.floats((0..clip.values.len()).map(|key| key as f32 * 0.5), "SCALAR", 1);
            let output = if clip.rotate {
                let keys = clip.values.iter().flat_map(|degrees| {
                    (turn * DQuat::from_rotation_x(degrees.to_radians())).to_array().map(|c| c as f32)
                });
                buffer.floats(keys, "VEC4", 4)
            } else {
                let keys = clip.values.iter().flat_map(|factor| (offset * *factor).as_vec3().to_array());
                buffer.floats(keys, "VEC3", 3)
            };
            let path = if clip.rotate { "rotation" } else { "translation" };
            json!({
                "name": clip.name,
                "samplers": [{"input": input, "output": output, "interpolation": "LINEAR"}],
                "channels": [{"sampler": 0, "target": {"node": clip.joint, "path": path}}],
            })
        })
        .collect()
}

/// The container: a header and two chunks, each a multiple of four bytes.
fn pack(document: &Value, mut binary: Vec<u8>) -> Vec<u8> {
    let mut text = document.to_string().into_bytes();
    text.resize(text.len().next_multiple_of(4), b' ');
    binary.resize(binary.len().next_multiple_of(4), 0);
    let chunks: [(&[u8; 4], Vec<u8>); 2] = [(b"JSON", text), (b"BIN\0", binary)];
    let total: usize = 12 + chunks.iter().map(|(_, bytes)| 8 + bytes.len()).sum::<usize>();
    let mut out = Vec::with_capacity(total);
    out.extend(b"glTF");
    out.extend(2_u32.to_le_bytes());
    out.extend((total as u32).to_le_bytes());
    for (kind, bytes) in chunks {
        out.extend((bytes.len() as u32).to_le_bytes());
        out.extend(kind);
        out.extend(bytes);
    }
    out
}

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::expect_used, reason = "a test may fail loudly")]
mod tests {
    use super::super::build;
    use glam::{Mat4, Vec3};

    const EEL: &str = "gltf\njoint trunk at 0 0.2 0 parent none\njoint tail at 0 0.2 -0.4 tip 0 0.3 -0.8\n\
        joint lure at 0 0.4 0.2 role carrying parent trunk\npiece lantern by lure at 0 0.45 0.25\nframes\n\
        body tubes radius 0.04\nclip swim rotate tail 0 20 0\n";

    /// Another reader than ours accepts the file, and finds in it what was asked for.
    #[test]
    fn another_reader_finds_the_same_rig() {
        let bytes = build(EEL).unwrap();
        let file = gltf::Gltf::from_slice(&bytes).unwrap();
        let blob = file.blob.clone().unwrap();
        let skin = file.skins().next().unwrap();
        let read = skin.reader(|_| Some(&blob));
        let origins: Vec<Vec3> = read
            .read_inverse_bind_matrices()
            .unwrap()
            .map(|m| Mat4::from_cols_array_2d(&m).inverse().w_axis.truncate())
            .collect();
        let wanted = [Vec3::new(0.0, 0.2, 0.0), Vec3::new(0.0, 0.2, -0.4), Vec3::new(0.0, 0.4, 0.2)];
        assert!(origins.iter().zip(wanted).all(|(a, b)| a.distance(b) < 1e-6), "{origins:?}");
        let mesh = file.meshes().next().unwrap();
        let primitive = mesh.primitives().next().unwrap();
        let read = primitive.reader(|_| Some(&blob));
        let count = read.read_positions().unwrap().count();
        assert!(read.read_indices().unwrap().into_u32().all(|index| (index as usize) < count));
        for (joints, weights) in
            read.read_joints(0).unwrap().into_u16().zip(read.read_weights(0).unwrap().into_f32())
        {
            assert!((weights.iter().sum::<f32>() - 1.0).abs() < 1e-6);
            assert!(joints.iter().all(|joint| *joint < 2), "the joint that only carries moves no skin");
        }
        assert_eq!(file.animations().count(), 1);
        assert_eq!(file.nodes().filter(|node| node.mesh().is_some() && node.skin().is_none()).count(), 1);
    }
}
