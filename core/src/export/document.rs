//! The document writer: a scene as glTF JSON and one buffer.

use serde_json::{Map, Value, json};

use super::attributes::{Attribute, attributes};
use super::storage::Storage;
use super::{Scene, SceneMesh, ScenePath};
use crate::model::Interpolation;

/// A position box that quantised positions are fractions of.
#[derive(Clone, Copy)]
pub(super) struct Fold {
    pub(super) low: [f32; 3],
    pub(super) size: f32,
}

struct Writer {
    bin: Vec<u8>,
    views: Vec<Value>,
    accessors: Vec<Value>,
    storage: Storage,
    fallback: usize,
}

/// A document: its JSON, whose first buffer is the bytes.
pub(super) struct Document {
    pub(super) root: Map<String, Value>,
    pub(super) bin: Vec<u8>,
}

/// The scene as a document.
pub(super) fn document(scene: &Scene, storage: Storage) -> Document {
    let mut writer =
        Writer { bin: Vec::new(), views: Vec::new(), accessors: Vec::new(), storage, fallback: 0 };
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
    let humanoid = (!scene.humanoid.is_empty()).then_some("VRMC_vrm");
    let used: Vec<&str> = extensions.iter().copied().chain(humanoid).collect();
    if !used.is_empty() {
        root.insert("extensionsUsed".into(), json!(used));
    }
    if !extensions.is_empty() {
        root.insert("extensionsRequired".into(), json!(extensions));
    }
    if let Some(name) = humanoid {
        let bone = |(bone, node): &(String, usize)| (bone.clone(), json!({"node": node}));
        let bones: Map<String, Value> = scene.humanoid.iter().map(bone).collect();
        root.insert(
            "extensions".into(),
            json!({name: {"specVersion": "1.0", "humanoid": {"humanBones": bones}}}),
        );
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
        let list = attributes(mesh, self.storage, fold);
        let mut named = Map::new();
        if self.storage.interleaved {
            let stride: usize = list.iter().map(|attribute| attribute.stride).sum();
            let mut bytes = Vec::with_capacity(stride * count);
            for vertex in 0..count {
                for attribute in &list {
                    bytes
                        .extend(&attribute.bytes[vertex * attribute.stride..(vertex + 1) * attribute.stride]);
                }
            }
            let view = self.view(&bytes, Some(34_962), stride, count);
            let mut offset = 0;
            for attribute in &list {
                let mut accessor = attribute.accessor(count);
                accessor["bufferView"] = json!(view);
                accessor["byteOffset"] = json!(offset);
                offset += attribute.stride;
                named.insert(attribute.name.clone(), json!(self.accessor(accessor)));
            }
        } else {
            for attribute in list {
                let mut accessor = attribute.accessor(count);
                if self.storage.sparse {
                    self.sparse(&attribute, count, &mut accessor);
                } else {
                    let view = self.view(&attribute.bytes, Some(34_962), attribute.stride, count);
                    accessor["bufferView"] = json!(view);
                }
                named.insert(attribute.name, json!(self.accessor(accessor)));
            }
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
        json!({"name": mesh.name, "primitives": [{"attributes": named, "indices": list, "material": material}]})
    }

    /// Every third element is left zero in the view and written sparsely; influences beyond the first set, mostly
    /// zero in most files, have no view at all.
    fn sparse(&mut self, attribute: &Attribute, count: usize, accessor: &mut Value) {
        let stride = attribute.stride;
        let bare = attribute.name.ends_with("_1");
        let zero = |element: &[u8]| element.iter().all(|byte| *byte == 0);
        let (mut base, mut indices, mut values) = (attribute.bytes.clone(), Vec::new(), Vec::new());
        for (number, element) in base.chunks_exact_mut(stride).enumerate() {
            if (bare || number % 3 == 0) && !zero(element) {
                indices.extend((number as u32).to_le_bytes());
                values.extend_from_slice(element);
                element.fill(0);
            }
        }
        if !bare || indices.is_empty() {
            accessor["bufferView"] = json!(self.view(&base, Some(34_962), stride, count));
        }
        if !indices.is_empty() {
            let listed = indices.len() / 4;
            let indices = self.view(&indices, None, 4, listed);
            let values = self.view(&values, None, stride, listed);
            accessor["sparse"] = json!({"count": listed, "indices": {"bufferView": indices, "componentType": 5125},
                "values": {"bufferView": values}});
        }
    }

    fn finish(mut self, mut root: Map<String, Value>) -> Document {
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
        Document { root, bin: self.bin }
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
