//! Nodes, scenes and the global rest transforms.

use glam::{DMat4, DQuat, DVec3};
use serde_json::Value;

use super::doc::Doc;
use crate::intake::{Fault, Limits};
use crate::model::{Local, MeshId, Node, NodeId, Rig, SkinId};

/// Reads all nodes; cycles and second parents are faults (no rig can be built).
pub(super) fn read(doc: &Doc<'_>, limits: &Limits) -> Result<Vec<Node>, Fault> {
    let list = doc.list("nodes")?;
    if list.len() as u64 > limits.nodes {
        return Err(doc.limit("/nodes", "nodes", limits.nodes, list.len() as u64));
    }
    let (meshes, skins) = (doc.count("meshes"), doc.count("skins"));
    let mut nodes = Vec::with_capacity(list.len());
    for (index, value) in list.iter().enumerate() {
        let pointer = format!("/nodes/{index}");
        let children: Vec<NodeId> = doc
            .indices(value, "children", &pointer, list.len(), "node")?
            .into_iter()
            .map(NodeId::new)
            .collect();
        let extension = |name: &str| value.get("extensions").and_then(|e| e.get(name)).is_some();
        nodes.push(Node {
            name: doc.name(value, &pointer, limits.name_bytes)?,
            parent: None,
            children,
            local: local(doc, value, &pointer)?,
            world: DMat4::IDENTITY,
            mesh: doc.index(value, "mesh", &pointer, meshes, "mesh")?.map(MeshId::new),
            skin: doc.index(value, "skin", &pointer, skins, "skin")?.map(SkinId::new),
            morph_weights: super::meshes::defaults(value),
            joint: None,
            camera_or_light: value.get("camera").is_some() || extension("KHR_lights_punctual"),
            in_scene: false,
        });
    }
    for index in 0..nodes.len() {
        let id = NodeId::new(index);
        for (at, child) in nodes[index].children.clone().into_iter().enumerate() {
            let here = format!("/nodes/{index}/children/{at}");
            if let Some(first) = nodes[child.index()].parent {
                let text = if first == id {
                    format!("node {} is listed twice among the children", child.0)
                } else {
                    format!("node {} has two parents, {} and {index}", child.0, first.0)
                };
                return Err(doc.invalid(here, text, "glTF 2.0 §3.5.2"));
            }
            nodes[child.index()].parent = Some(id);
        }
    }
    // Parents first; what is never reached lies on a cycle.
    let mut order: Vec<usize> = (0..nodes.len()).filter(|index| nodes[*index].parent.is_none()).collect();
    let mut at = 0;
    let mut reached = vec![false; nodes.len()];
    while at < order.len() {
        let index = order[at];
        reached[index] = true;
        let above = nodes[index].parent.map_or(DMat4::IDENTITY, |up| nodes[up.index()].world);
        nodes[index].world = above * matrix(&nodes[index].local);
        order.extend(nodes[index].children.iter().map(|child| child.index()));
        at += 1;
    }
    if let Some(index) = reached.iter().position(|r| !r) {
        let text = format!("node {index} is its own ancestor");
        return Err(doc.invalid(format!("/nodes/{index}"), text, "glTF 2.0 §3.5.2"));
    }
    Ok(nodes)
}

fn local(doc: &Doc<'_>, value: &Value, pointer: &str) -> Result<Local, Fault> {
    if let Some(matrix) = doc.numbers::<16>(value, "matrix", pointer)? {
        return Ok(Local::Matrix(DMat4::from_cols_array(&matrix)));
    }
    Ok(Local::Trs {
        translation: doc.numbers::<3>(value, "translation", pointer)?.map_or(DVec3::ZERO, DVec3::from_array),
        rotation: doc.numbers::<4>(value, "rotation", pointer)?.unwrap_or([0.0, 0.0, 0.0, 1.0]),
        scale: doc.numbers::<3>(value, "scale", pointer)?.map_or(DVec3::ONE, DVec3::from_array),
    })
}

/// T · R · S, with the rotation brought to unit length where it has a direction.
pub(super) fn matrix(local: &Local) -> DMat4 {
    match local {
        Local::Matrix(matrix) => *matrix,
        Local::Trs { translation, rotation, scale } => {
            let length = rotation.iter().map(|c| c * c).sum::<f64>().sqrt();
            let turn = if length > 1e-12 && length.is_finite() {
                DQuat::from_array(rotation.map(|c| c / length))
            } else {
                DQuat::IDENTITY
            };
            DMat4::from_scale_rotation_translation(*scale, turn, *translation)
        }
    }
}

/// The roots of every scene, the default scene first.
pub(super) fn scenes(doc: &Doc<'_>) -> Result<Vec<Vec<NodeId>>, Fault> {
    let list = doc.list("scenes")?;
    let nodes = doc.count("nodes");
    let mut scenes = Vec::with_capacity(list.len());
    for (index, scene) in list.iter().enumerate() {
        let pointer = format!("/scenes/{index}");
        let roots = doc.indices(scene, "nodes", &pointer, nodes, "node")?;
        scenes.push(roots.into_iter().map(NodeId::new).collect());
    }
    doc.index(doc.root, "scene", "", list.len(), "scene")?;
    Ok(scenes)
}

/// Marks the nodes that some scene reaches; a file without scenes is a library, and all of it counts.
pub(super) fn mark_scenes(rig: &mut Rig) {
    if rig.scene_roots.is_empty() {
        for node in &mut rig.nodes {
            node.in_scene = true;
        }
        return;
    }
    let mut open: Vec<NodeId> = rig.scene_roots.iter().flatten().copied().collect();
    while let Some(id) = open.pop() {
        let node = &mut rig.nodes[id.index()];
        if !node.in_scene {
            node.in_scene = true;
            open.extend(node.children.iter().copied());
        }
    }
}
