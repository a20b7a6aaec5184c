//! Meshes: positions, triangles and influences; everything else is counted or left alone.

use std::collections::BTreeMap;

use serde_json::{Map, Value};

use super::accessor::{Accessors, Got};
use super::compressed::Draco;
use super::doc::{Doc, whole};
use crate::intake::Fault;
use crate::model::{Influences, Mesh, Primitive, Reads, WeightStorage};

/// Default weights of a mesh that are read.
const MOST_TARGETS: usize = 4_096;

pub(super) fn read(doc: &Doc<'_>, accessors: &mut Accessors<'_>) -> Result<Vec<Mesh>, Fault> {
    let mut totals = Totals::default();
    // What nodes say of a mesh they draw.
    let mut own: BTreeMap<u64, Vec<Vec<f64>>> = BTreeMap::new();
    for node in doc.list("nodes")? {
        let weights = defaults(node);
        if let Some(mesh) = node.get("mesh").and_then(whole).filter(|_| !weights.is_empty()) {
            own.entry(mesh).or_default().push(weights);
        }
    }
    let mut meshes = Vec::new();
    for (index, value) in doc.list("meshes")?.iter().enumerate() {
        let pointer = format!("/meshes/{index}");
        let list = match value.get("primitives") {
            Some(Value::Array(list)) => list.as_slice(),
            None => &[],
            Some(_) => {
                return Err(doc.invalid(format!("{pointer}/primitives"), "must be a list", "glTF 2.0 §5.24"));
            }
        };
        let morph_weights = defaults(value);
        let mut moving: Vec<bool> = Vec::new();
        for list in std::iter::once(&morph_weights).chain(own.get(&(index as u64)).into_iter().flatten()) {
            moving.resize(moving.len().max(list.len()), false);
            moving.iter_mut().zip(list).for_each(|(moves, weight)| *moves |= *weight != 0.0);
        }
        let mut primitives = Vec::with_capacity(list.len());
        for (at, value) in list.iter().enumerate() {
            let here = format!("{pointer}/primitives/{at}");
            let mut primitive = read_primitive(doc, accessors, value, &here, &mut totals)?;
            read_morphs(doc, accessors, value, &here, &moving, &mut totals, &mut primitive)?;
            primitives.push(primitive);
        }
        let name = doc.name(value, &pointer, accessors.limits.name_bytes)?;
        meshes.push(Mesh { name, primitives, morph_weights, users: Vec::new() });
    }
    Ok(meshes)
}

/// Default morph weights of a mesh or a node.
pub(super) fn defaults(value: &Value) -> Vec<f64> {
    let list = value.get("weights").and_then(Value::as_array).map_or(&[][..], Vec::as_slice);
    list.iter().map(|weight| weight.as_f64().unwrap_or(0.0)).take(MOST_TARGETS).collect()
}

/// Displacements of the targets that a default weight moves.
fn read_morphs(
    doc: &Doc<'_>,
    accessors: &mut Accessors<'_>,
    value: &Value,
    pointer: &str,
    moving: &[bool],
    totals: &mut Totals,
    primitive: &mut Primitive,
) -> Result<(), Fault> {
    let targets = value.get("targets").and_then(Value::as_array).map_or(&[][..], Vec::as_slice);
    let Some(last) = moving.iter().rposition(|moves| *moves) else { return Ok(()) };
    for (number, target) in targets.iter().enumerate().take(last + 1) {
        let here = format!("{pointer}/targets/{number}");
        let index = if moving[number] { accessors.index(target, "POSITION", &here)? } else { None };
        let mut deltas = Vec::new();
        if let Some(index) = index {
            let (this, count) = (accessors.count(index), primitive.positions.len());
            if this != count && primitive.readable {
                let text = format!("has {this} elements where the primitive has {count} vertices");
                return Err(doc.invalid(format!("{here}/POSITION"), text, "glTF 2.0 §3.7.2.2"));
            }
            totals.add(doc, accessors, &here, this, 0)?;
            if let Got::Data(data) = accessors.vectors::<3>(index, Reads::MESH)? {
                deltas = data;
            }
        }
        primitive.morph_positions.push(deltas);
    }
    Ok(())
}

#[derive(Default)]
struct Totals {
    vertices: u64,
    indices: u64,
}

impl Totals {
    fn add(
        &mut self,
        doc: &Doc<'_>,
        accessors: &Accessors<'_>,
        pointer: &str,
        vertices: usize,
        indices: usize,
    ) -> Result<(), Fault> {
        self.vertices += vertices as u64;
        self.indices += indices as u64;
        let limits = accessors.limits;
        if self.vertices > limits.vertices {
            return Err(doc.limit(pointer, "vertices", limits.vertices, self.vertices));
        }
        if self.indices > limits.indices {
            return Err(doc.limit(pointer, "indices", limits.indices, self.indices));
        }
        Ok(())
    }
}

fn read_primitive(
    doc: &Doc<'_>,
    accessors: &mut Accessors<'_>,
    value: &Value,
    pointer: &str,
    totals: &mut Totals,
) -> Result<Primitive, Fault> {
    let none = Map::new();
    let attributes = match value.get("attributes") {
        Some(Value::Object(map)) => map,
        None => &none,
        Some(_) => {
            return Err(doc.invalid(
                format!("{pointer}/attributes"),
                "must be an object",
                "glTF 2.0 §3.7.2.1",
            ));
        }
    };
    let mode = doc.whole(value, "mode", pointer)?.unwrap_or(4);
    if mode > 6 {
        return Err(doc.invalid(
            format!("{pointer}/mode"),
            format!("{mode} is no primitive mode"),
            "glTF 2.0 §5.24",
        ));
    }
    let holder = Value::Object(attributes.clone());
    let there = format!("{pointer}/attributes");
    let attribute = |name: &str, accessors: &Accessors<'_>| accessors.index(&holder, name, &there);
    let mut count: Option<usize> = None;
    for (name, accessor) in attributes {
        let found = whole(accessor).ok_or_else(|| {
            doc.invalid(format!("{there}/{name}"), "must be an accessor's index", "glTF 2.0 §3.3")
        })?;
        let index = attribute(name, accessors)?.unwrap_or(found as usize);
        let this = accessors.count(index);
        if count.is_some_and(|count| count != this) {
            let text =
                format!("has {this} elements where the primitive's others have {}", count.unwrap_or(0));
            return Err(doc.invalid(format!("{there}/{name}"), text, "glTF 2.0 §3.7.2.1"));
        }
        count = Some(this);
    }
    let sets = |stem: &str| {
        let mut sets: Vec<u32> = attributes
            .keys()
            .filter_map(|name| name.strip_prefix(stem))
            .filter_map(|number| number.parse().ok())
            .filter(|n: &u32| *n < 64)
            .collect();
        sets.sort_unstable();
        sets.dedup();
        sets
    };
    let targets = value.get("targets").and_then(Value::as_array).map_or(0, Vec::len);
    let indices = accessors.index(value, "indices", pointer)?;
    let mut primitive = Primitive {
        positions: Vec::new(),
        triangles: Vec::new(),
        influences: Vec::new(),
        joint_sets: sets("JOINTS_"),
        weight_sets: sets("WEIGHTS_"),
        morph_targets: targets as u32,
        morph_positions: Vec::new(),
        mode: mode as u8,
        readable: false,
    };
    let draco = value.get("extensions").and_then(|e| e.get("KHR_draco_mesh_compression"));
    if let Some(extension) = draco {
        let here = format!("{pointer}/extensions/KHR_draco_mesh_compression");
        read_draco(doc, accessors, extension, &here, totals, &mut primitive, count, &holder)?;
        return Ok(primitive);
    }
    let corners = indices.map_or(0, |index| accessors.count(index));
    totals.add(doc, accessors, pointer, count.unwrap_or(0), corners)?;
    if let Some(position) = attribute("POSITION", accessors)?
        && let Got::Data(data) = accessors.vectors::<3>(position, Reads::MESH)?
    {
        primitive.positions = data;
        primitive.readable = true;
    }
    let paired: Vec<u32> =
        primitive.joint_sets.iter().copied().filter(|set| primitive.weight_sets.contains(set)).collect();
    for set in paired {
        let joints = attribute(&format!("JOINTS_{set}"), accessors)?;
        let weights = attribute(&format!("WEIGHTS_{set}"), accessors)?;
        if let (Some(joints), Some(weights)) = (joints, weights)
            && let Got::Data(joints) = accessors.joints(joints)?
            && let Got::Data((weights, storage)) = accessors.weights(weights)?
        {
            primitive.influences.push(Influences { joints, weights, storage });
        }
    }
    if !(4..=6).contains(&mode) {
        return Ok(primitive);
    }
    if mode == 4
        && let Some(index) = indices
    {
        if let Got::Data((triangles, left)) = accessors.triangle_list(index)? {
            primitive.triangles = triangles;
            note_left(accessors, left);
        }
        return Ok(primitive);
    }
    let list = match indices {
        None => (0..primitive.positions.len() as u32).collect(),
        Some(index) => match accessors.vertex_indices(index)? {
            Got::Data(list) => list,
            Got::Missing => Vec::new(),
        },
    };
    let (triangles, left) = triangulate(&list, mode);
    primitive.triangles = triangles;
    note_left(accessors, left);
    Ok(primitive)
}

fn note_left(accessors: &mut Accessors<'_>, corners: u64) {
    if corners > 0 {
        accessors.approximate("triangle corners left over at the end of a list", corners);
    }
}

/// Lists, strips and fans as lists; the corners left over.
fn triangulate(list: &[u32], mode: u64) -> (Vec<[u32; 3]>, u64) {
    match mode {
        4 => {
            let (triangles, rest) = list.as_chunks::<3>();
            (triangles.to_vec(), rest.len() as u64)
        }
        5 => {
            let strip = list
                .windows(3)
                .enumerate()
                .map(|(at, w)| if at % 2 == 0 { [w[0], w[1], w[2]] } else { [w[1], w[0], w[2]] });
            (strip.collect(), 0)
        }
        _ => {
            let fan =
                list.split_first().map(|(hub, rest)| rest.windows(2).map(|w| [*hub, w[0], w[1]]).collect());
            (fan.unwrap_or_default(), 0)
        }
    }
}

#[expect(clippy::too_many_arguments, reason = "what one primitive is made of")]
fn read_draco(
    doc: &Doc<'_>,
    accessors: &mut Accessors<'_>,
    extension: &Value,
    pointer: &str,
    totals: &mut Totals,
    primitive: &mut Primitive,
    count: Option<usize>,
    attributes: &Value,
) -> Result<(), Fault> {
    const RULE: &str = "KHR_draco_mesh_compression";
    let Some(view) = doc.index(extension, "bufferView", pointer, accessors.views(), "buffer view")? else {
        return Err(doc.invalid(pointer, "names no buffer view", RULE));
    };
    let limits = *accessors.limits;
    let decoded = match accessors.view_bytes(view)? {
        Ok(bytes) => Draco::decode(bytes, &limits).map_err(|text| doc.invalid(pointer, text, RULE))?,
        Err(reason) => {
            accessors.miss(Reads::MESH | Reads::WEIGHTS, reason, pointer.to_owned());
            return Ok(());
        }
    };
    let triangles = decoded.triangles();
    totals.add(doc, accessors, pointer, decoded.points(), triangles.len() * 3)?;
    if count.is_some_and(|count| count != decoded.points()) {
        let text =
            format!("decodes to {} vertices, its accessors say {}", decoded.points(), count.unwrap_or(0));
        return Err(doc.invalid(pointer, text, RULE));
    }
    let id = |name: &str| extension.get("attributes").and_then(|a| a.get(name)).and_then(whole);
    // What the extension does not list lies beside it, in plain accessors.
    let there = |name: &str, accessors: &Accessors<'_>| accessors.index(attributes, name, pointer);
    primitive.triangles = triangles;
    if let Some(id) = id("POSITION") {
        let (positions, _) = decoded.attribute::<3>(id).ok_or_else(|| absent(doc, pointer, "POSITION"))?;
        primitive.positions = positions;
        primitive.readable = true;
    } else if let Some(index) = there("POSITION", accessors)?
        && let Got::Data(positions) = accessors.vectors::<3>(index, Reads::MESH)?
    {
        primitive.positions = positions;
        primitive.readable = true;
    }
    let paired: Vec<u32> =
        primitive.joint_sets.iter().copied().filter(|set| primitive.weight_sets.contains(set)).collect();
    for set in paired {
        let (name, weight_name) = (format!("JOINTS_{set}"), format!("WEIGHTS_{set}"));
        let joints = match id(&name) {
            Some(id) => {
                let (rows, _) = decoded.attribute::<4>(id).ok_or_else(|| absent(doc, pointer, &name))?;
                Got::Data(rows.into_iter().map(|row| row.map(|j| j.clamp(0.0, 65_535.0) as u16)).collect())
            }
            None => match there(&name, accessors)? {
                Some(index) => accessors.joints(index)?,
                None => continue,
            },
        };
        let weights = match id(&weight_name) {
            Some(id) => {
                let (mut rows, most) =
                    decoded.attribute::<4>(id).ok_or_else(|| absent(doc, pointer, &weight_name))?;
                let storage = match most {
                    Some(255.0) => WeightStorage::Unorm8,
                    Some(_) => WeightStorage::Unorm16,
                    None => WeightStorage::Float,
                };
                if let Some(most) = most {
                    for row in &mut rows {
                        *row = row.map(|w| w / most);
                    }
                }
                Got::Data((rows, storage))
            }
            None => match there(&weight_name, accessors)? {
                Some(index) => accessors.weights(index)?,
                None => continue,
            },
        };
        if let (Got::Data(joints), Got::Data((weights, storage))) = (joints, weights) {
            primitive.influences.push(Influences { joints, weights, storage });
        }
    }
    Ok(())
}

/// The extension names an attribute that the decoded mesh does not have.
fn absent(doc: &Doc<'_>, pointer: &str, name: &str) -> Fault {
    let text = "names an attribute that the compressed mesh does not hold";
    doc.invalid(format!("{pointer}/attributes/{name}"), text, "KHR_draco_mesh_compression")
}
