//! The GLB writer.

use serde_json::{Map, Value, json};

use super::storage::{Storage, WeightType, integers};
use super::{Scene, SceneMesh, ScenePath};
use crate::model::Interpolation;

/// A position box that quantised positions are fractions of.
#[derive(Clone, Copy)]
struct Fold {
    low: [f32; 3],
    size: f32,
}

struct Writer {
    bin: Vec<u8>,
    views: Vec<Value>,
    accessors: Vec<Value>,
    storage: Storage,
    fallback: usize,
}

/// The scene as a GLB.
pub fn write_glb(scene: &Scene, storage: &Storage) -> Vec<u8> {
    let mut writer =
        Writer { bin: Vec::new(), views: Vec::new(), accessors: Vec::new(), storage: *storage, fallback: 0 };
    let fold = storage.quantise.then(|| fold(scene));
    let mut root = Map::new();
    root.insert("asset".into(), json!({"version": "2.0", "generator": "condyle"}));
    let mut extensions = Vec::new();
    if storage.quantise {
        extensions.push("KHR_mesh_quantization");
    }
    if storage.meshopt {
        extensions.push("EXT_meshopt_compression");
    }
    if !extensions.is_empty() {
        root.insert("extensionsUsed".into(), json!(extensions));
        root.insert("extensionsRequired".into(), json!(extensions));
    }
    root.insert("scene".into(), json!(0));
    let drawn = |node: &usize| scene.nodes[*node].parent.is_none() && !scene.off_scene.contains(node);
    let roots: Vec<usize> = (0..scene.nodes.len()).filter(drawn).collect();
    root.insert("scenes".into(), json!([{"nodes": roots}]));
    root.insert("nodes".into(), nodes(scene, fold));
    let colours: Vec<Value> = scene
        .meshes
        .iter()
        .map(|mesh| json!({"pbrMetallicRoughness": {"baseColorFactor": mesh.colour, "metallicFactor": 0.0}}))
        .collect();
    let mut meshes: Vec<Value> =
        scene.meshes.iter().enumerate().map(|(index, mesh)| writer.mesh(mesh, index, fold)).collect();
    for (mesh, attribute) in &scene.left_out {
        let list = meshes.get_mut(*mesh).and_then(|mesh| mesh["primitives"][0]["attributes"].as_object_mut());
        list.map(|list| list.remove(attribute));
    }
    if !meshes.is_empty() {
        root.insert("meshes".into(), Value::Array(meshes));
        root.insert("materials".into(), Value::Array(colours));
    }
    let skins: Vec<Value> = scene
        .skins
        .iter()
        .enumerate()
        .map(|(index, skin)| {
            let mut out = json!({"name": skin.name, "joints": skin.joints});
            if let Some((_, node)) = scene.skeletons.iter().find(|(skin, _)| *skin == index) {
                out["skeleton"] = json!(node);
            }
            if let Some(list) = &skin.inverse_bind {
                let folded: Vec<f32> = list.iter().flat_map(|m| folded(*m, fold)).collect();
                out["inverseBindMatrices"] = json!(writer.floats(&folded, "MAT4", false));
            }
            out
        })
        .collect();
    if !skins.is_empty() {
        root.insert("skins".into(), Value::Array(skins));
    }
    let clips: Vec<Value> = scene
        .clips
        .iter()
        .map(|clip| {
            let (mut samplers, mut channels) = (Vec::new(), Vec::new());
            for channel in &clip.channels {
                let (path, kind) = match channel.path {
                    ScenePath::Translation => ("translation", "VEC3"),
                    ScenePath::Rotation => ("rotation", "VEC4"),
                    ScenePath::Scale => ("scale", "VEC3"),
                };
                let interpolation = match channel.interpolation {
                    Interpolation::Linear => "LINEAR",
                    Interpolation::Step => "STEP",
                    Interpolation::CubicSpline => "CUBICSPLINE",
                };
                channels
                    .push(json!({"sampler": samplers.len(), "target": {"node": channel.node, "path": path}}));
                let input = writer.floats(&channel.times, "SCALAR", true);
                let output = writer.floats(&channel.values, kind, false);
                samplers.push(json!({"input": input, "output": output, "interpolation": interpolation}));
            }
            json!({"name": clip.name, "samplers": samplers, "channels": channels})
        })
        .collect();
    if !clips.is_empty() {
        root.insert("animations".into(), Value::Array(clips));
    }
    writer.finish(root)
}

fn nodes(scene: &Scene, fold: Option<Fold>) -> Value {
    let list = scene.nodes.iter().enumerate().map(|(index, node)| {
        let mut out = Map::new();
        if let Some(name) = &node.name {
            out.insert("name".into(), json!(name));
        }
        let children: Vec<usize> =
            (0..scene.nodes.len()).filter(|n| scene.nodes[*n].parent == Some(index)).collect();
        if !children.is_empty() {
            out.insert("children".into(), json!(children));
        }
        // A mesh without skin carries its own unfolding; a skinned one has it in the bind matrices.
        let (mut translation, mut scale) = (node.translation, node.scale);
        if let (Some(fold), Some(_), None) = (fold, node.mesh, node.skin) {
            translation = std::array::from_fn(|axis| node.translation[axis] + f64::from(fold.low[axis]));
            scale = [f64::from(fold.size); 3];
        }
        if translation != [0.0; 3] {
            out.insert("translation".into(), json!(translation));
        }
        if node.rotation != [0.0, 0.0, 0.0, 1.0] {
            out.insert("rotation".into(), json!(node.rotation));
        }
        if scale != [1.0; 3] {
            out.insert("scale".into(), json!(scale));
        }
        if let Some(mesh) = node.mesh {
            out.insert("mesh".into(), json!(mesh));
        }
        if let Some(skin) = node.skin {
            out.insert("skin".into(), json!(skin));
        }
        Value::Object(out)
    });
    Value::Array(list.collect())
}

/// One box around all meshes.
fn fold(scene: &Scene) -> Fold {
    let (mut low, mut high) = ([f32::MAX; 3], [f32::MIN; 3]);
    for position in scene.meshes.iter().flat_map(|mesh| &mesh.positions) {
        for axis in 0..3 {
            low[axis] = low[axis].min(position[axis]);
            high[axis] = high[axis].max(position[axis]);
        }
    }
    let size = (0..3).map(|axis| high[axis] - low[axis]).fold(0.0, f32::max);
    Fold { low, size: if size > 0.0 { size } else { 1.0 } }
}

/// M · translate(low) · scale(size): the unfolding, before the bind matrix.
fn folded(m: [f32; 16], fold: Option<Fold>) -> [f32; 16] {
    let Some(fold) = fold else { return m };
    let mut out = m;
    for row in 0..4 {
        out[12 + row] =
            m[row] * fold.low[0] + m[4 + row] * fold.low[1] + m[8 + row] * fold.low[2] + m[12 + row];
        for column in 0..3 {
            out[column * 4 + row] = m[column * 4 + row] * fold.size;
        }
    }
    out
}

impl Writer {
    /// A view over new bytes; `stride` and `count` describe them to the compressor.
    fn view(&mut self, bytes: &[u8], target: Option<u32>, stride: usize, count: usize) -> usize {
        let mut view = Map::new();
        let compress = self.storage.meshopt && target.is_some();
        let encoded =
            if compress { compress_view(bytes, target == Some(34_963), stride, count) } else { None };
        self.bin.resize(self.bin.len().next_multiple_of(4), 0);
        let offset = self.bin.len();
        self.bin.extend_from_slice(encoded.as_deref().unwrap_or(bytes));
        match &encoded {
            Some(encoded) => {
                let mode = if target == Some(34_963) { "TRIANGLES" } else { "ATTRIBUTES" };
                view.insert("buffer".into(), json!(1));
                view.insert("byteOffset".into(), json!(self.fallback));
                view.insert("byteLength".into(), json!(bytes.len()));
                self.fallback = (self.fallback + bytes.len()).next_multiple_of(4);
                let extension = json!({"buffer": 0, "byteOffset": offset, "byteLength": encoded.len(),
                    "byteStride": stride, "count": count, "mode": mode});
                view.insert("extensions".into(), json!({"EXT_meshopt_compression": extension}));
            }
            None => {
                view.insert("buffer".into(), json!(0));
                view.insert("byteOffset".into(), json!(offset));
                view.insert("byteLength".into(), json!(bytes.len()));
            }
        }
        if target == Some(34_962) {
            view.insert("byteStride".into(), json!(stride));
        }
        if let Some(target) = target {
            view.insert("target".into(), json!(target));
        }
        self.views.push(Value::Object(view));
        self.views.len() - 1
    }

    fn accessor(&mut self, accessor: Value) -> usize {
        self.accessors.push(accessor);
        self.accessors.len() - 1
    }

    fn floats(&mut self, values: &[f32], kind: &str, bounds: bool) -> usize {
        let width = match kind {
            "SCALAR" => 1,
            "VEC3" => 3,
            "VEC4" => 4,
            _ => 16,
        };
        let bytes: Vec<u8> = values.iter().flat_map(|v| v.to_le_bytes()).collect();
        let view = self.view(&bytes, None, width * 4, values.len() / width);
        let mut out =
            json!({"bufferView": view, "componentType": 5126, "count": values.len() / width, "type": kind});
        if bounds {
            let finite = values.iter().copied().filter(|v| v.is_finite());
            out["min"] = json!([finite.clone().fold(f32::MAX, f32::min)]);
            out["max"] = json!([finite.fold(f32::MIN, f32::max)]);
        }
        self.accessor(out)
    }

    fn mesh(&mut self, mesh: &SceneMesh, material: usize, fold: Option<Fold>) -> Value {
        let count = mesh.positions.len();
        let mut attributes = Map::new();
        attributes.insert("POSITION".into(), json!(self.positions(mesh, fold)));
        if !mesh.normals.is_empty() {
            let bytes: Vec<u8> = mesh.normals.iter().flatten().flat_map(|v| v.to_le_bytes()).collect();
            let view = self.view(&bytes, Some(34_962), 12, count);
            let normals = json!({"bufferView": view, "componentType": 5126, "count": count, "type": "VEC3"});
            attributes.insert("NORMAL".into(), json!(self.accessor(normals)));
        }
        let sets = mesh.influences.iter().map(Vec::len).max().unwrap_or(0).div_ceil(4);
        for set in 0..sets {
            self.influences(mesh, set, &mut attributes);
        }
        let mut indices = mesh.indices.clone();
        if self.storage.meshopt {
            // The compressor may turn corners within a triangle; the order of triangles stays.
            indices.truncate(indices.len() / 3 * 3);
        }
        let bytes: Vec<u8> = indices.iter().flat_map(|i| i.to_le_bytes()).collect();
        let view = self.view(&bytes, Some(34_963), 4, indices.len());
        let list =
            json!({"bufferView": view, "componentType": 5125, "count": indices.len(), "type": "SCALAR"});
        let list = self.accessor(list);
        json!({"name": mesh.name, "primitives": [{"attributes": attributes, "indices": list, "material": material}]})
    }

    fn positions(&mut self, mesh: &SceneMesh, fold: Option<Fold>) -> usize {
        let count = mesh.positions.len();
        let bounds = |values: &dyn Fn(usize, usize) -> f64,
                      pick: fn(f64, f64) -> f64,
                      start: f64|
         -> Vec<f64> {
            (0..3)
                .map(|axis| (0..count).map(|v| values(v, axis)).filter(|v| v.is_finite()).fold(start, pick))
                .collect()
        };
        let (component, normalized, bytes, stride, min, max) = match fold {
            None => {
                let bytes: Vec<u8> = mesh.positions.iter().flatten().flat_map(|v| v.to_le_bytes()).collect();
                let value = |v: usize, axis: usize| f64::from(mesh.positions[v][axis]);
                (
                    5126,
                    false,
                    bytes,
                    12,
                    bounds(&value, f64::min, f64::MAX),
                    bounds(&value, f64::max, f64::MIN),
                )
            }
            Some(fold) => {
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
                (5123, true, bytes, 8, bounds(&value, f64::min, f64::MAX), bounds(&value, f64::max, f64::MIN))
            }
        };
        let view = self.view(&bytes, Some(34_962), stride, count);
        let mut out = json!({"bufferView": view, "componentType": component, "count": count, "type": "VEC3",
            "min": min, "max": max});
        if normalized {
            out["normalized"] = json!(true);
        }
        self.accessor(out)
    }

    fn influences(&mut self, mesh: &SceneMesh, set: usize, attributes: &mut Map<String, Value>) {
        let count = mesh.positions.len();
        let (mut joints, mut weights) = (Vec::with_capacity(count * 8), Vec::with_capacity(count * 16));
        for row in &mesh.influences {
            let all: Vec<f32> = row.iter().map(|(_, w)| *w).collect();
            let whole = match self.storage.weights {
                WeightType::Float => None,
                WeightType::Unorm8 => Some(integers(&all, 255)),
                WeightType::Unorm16 => Some(integers(&all, 65_535)),
            };
            for slot in set * 4..set * 4 + 4 {
                let (joint, weight) = row.get(slot).copied().unwrap_or((0, 0.0));
                joints.extend(joint.to_le_bytes());
                let integer = whole.as_ref().and_then(|w| w.get(slot)).copied().unwrap_or(0);
                match self.storage.weights {
                    WeightType::Float => weights.extend(weight.to_le_bytes()),
                    WeightType::Unorm8 => weights.push(integer as u8),
                    WeightType::Unorm16 => weights.extend((integer as u16).to_le_bytes()),
                }
            }
        }
        let view = self.view(&joints, Some(34_962), 8, count);
        let list = json!({"bufferView": view, "componentType": 5123, "count": count, "type": "VEC4"});
        attributes.insert(format!("JOINTS_{set}"), json!(self.accessor(list)));
        let (component, stride) = match self.storage.weights {
            WeightType::Float => (5126, 16),
            WeightType::Unorm8 => (5121, 4),
            WeightType::Unorm16 => (5123, 8),
        };
        let view = self.view(&weights, Some(34_962), stride, count);
        let mut list =
            json!({"bufferView": view, "componentType": component, "count": count, "type": "VEC4"});
        if component != 5126 {
            list["normalized"] = json!(true);
        }
        attributes.insert(format!("WEIGHTS_{set}"), json!(self.accessor(list)));
    }

    fn finish(mut self, mut root: Map<String, Value>) -> Vec<u8> {
        self.bin.resize(self.bin.len().next_multiple_of(4), 0);
        let mut buffers = vec![json!({"byteLength": self.bin.len()})];
        if self.fallback > 0 {
            let extension = json!({"EXT_meshopt_compression": {"fallback": true}});
            buffers.push(json!({"byteLength": self.fallback, "extensions": extension}));
        }
        if !self.views.is_empty() {
            root.insert("accessors".into(), Value::Array(self.accessors));
            root.insert("bufferViews".into(), Value::Array(self.views));
            root.insert("buffers".into(), Value::Array(buffers));
        }
        let mut text = Value::Object(root).to_string().into_bytes();
        text.resize(text.len().next_multiple_of(4), b' ');
        let mut out = Vec::with_capacity(28 + text.len() + self.bin.len());
        let total = 12 + 8 + text.len() + if self.bin.is_empty() { 0 } else { 8 + self.bin.len() };
        out.extend(b"glTF");
        out.extend(2_u32.to_le_bytes());
        out.extend((total as u32).to_le_bytes());
        out.extend((text.len() as u32).to_le_bytes());
        out.extend(b"JSON");
        out.extend(text);
        if !self.bin.is_empty() {
            out.extend((self.bin.len() as u32).to_le_bytes());
            out.extend(b"BIN\0");
            out.extend(self.bin);
        }
        out
    }
}

/// The bytes compressed, or nothing where the compressor does not take them.
fn compress_view(bytes: &[u8], indices: bool, stride: usize, count: usize) -> Option<Vec<u8>> {
    if indices {
        let list: Vec<u32> =
            bytes.chunks_exact(4).map(|b| u32::from_le_bytes([b[0], b[1], b[2], b[3]])).collect();
        let vertices = list.iter().max().map_or(0, |m| *m as usize + 1);
        return meshopt::encode_index_buffer(&list, vertices).ok();
    }
    macro_rules! by_stride {
        ($($n:literal)*) => {
            match stride {
                $($n => {
                    let list: Vec<[u8; $n]> =
                        bytes.chunks_exact($n).filter_map(|chunk| chunk.try_into().ok()).collect();
                    (list.len() == count).then(|| meshopt::encode_vertex_buffer(&list).ok()).flatten()
                })*
                _ => None,
            }
        };
    }
    by_stride!(4 8 12 16)
}
