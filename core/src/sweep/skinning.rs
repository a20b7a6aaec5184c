//! Skinning exactly as glTF 2.0 §3.7.3 defines it: every influence set, weights as stored, morph defaults first.
//!
//! The sweep itself uses one number a point (`sweep::field`); this is the general rule it is proven against, and the
//! one for poses of several joints.

use glam::{DMat4, DVec3, DVec4};

use crate::model::{Local, NodeId, Rig, SkinId};

/// World matrices of all nodes when some joints are turned in their own frames: `turn(node)` is applied before the
/// node's own rotation acts, as an animation channel that multiplies from the right would.
pub fn posed_nodes(rig: &Rig, turn: impl Fn(NodeId) -> DMat4) -> Vec<DMat4> {
    let mut worlds = vec![DMat4::IDENTITY; rig.nodes.len()];
    let mut stack: Vec<NodeId> = (0..rig.nodes.len())
        .map(NodeId::new)
        .filter(|node| rig.nodes[node.index()].parent.is_none())
        .collect();
    while let Some(node) = stack.pop() {
        let this = &rig.nodes[node.index()];
        let above = this.parent.map_or(DMat4::IDENTITY, |up| worlds[up.index()]);
        worlds[node.index()] = above * local(&this.local) * turn(node);
        stack.extend(&this.children);
    }
    worlds
}

fn local(local: &Local) -> DMat4 {
    match local {
        Local::Matrix(matrix) => *matrix,
        Local::Trs { translation, rotation, scale } => {
            let rotation = glam::DQuat::from_array(*rotation).normalize();
            DMat4::from_scale_rotation_translation(*scale, rotation, *translation)
        }
    }
}

/// Where a skin's joint matrices take the vertices of a primitive, world; one per vertex, `None` where an influence
/// names a joint that the skin does not have.
pub fn skin(rig: &Rig, skin: SkinId, mesh: usize, primitive: usize, worlds: &[DMat4]) -> Vec<Option<DVec3>> {
    let skin = &rig.skins[skin.index()];
    let matrices: Vec<Option<DMat4>> = skin
        .joints
        .iter()
        .enumerate()
        .map(|(slot, joint)| {
            let inverse = match &skin.inverse_bind {
                None => DMat4::IDENTITY,
                Some(list) => *list.get(slot)?,
            };
            Some(worlds[rig.joints[joint.index()].node?.index()] * inverse)
        })
        .collect();
    let mesh = &rig.meshes[mesh];
    let primitive = &mesh.primitives[primitive];
    (0..primitive.positions.len())
        .map(|vertex| {
            let mut place = DVec3::from(primitive.positions[vertex].map(f64::from));
            for (deltas, weight) in primitive.morph_positions.iter().zip(&mesh.morph_weights) {
                if let Some(delta) = deltas.get(vertex).filter(|_| *weight != 0.0) {
                    place += DVec3::from(delta.map(f64::from)) * *weight;
                }
            }
            let mut sum = DVec4::ZERO;
            for set in &primitive.influences {
                let (joints, weights) = (set.joints.get(vertex)?, set.weights.get(vertex)?);
                for (joint, weight) in joints.iter().zip(weights).filter(|(_, weight)| **weight != 0.0) {
                    let matrix = (*matrices.get(usize::from(*joint))?)?;
                    sum += matrix * place.extend(1.0) * f64::from(*weight);
                }
            }
            Some(sum.truncate())
        })
        .collect()
}
