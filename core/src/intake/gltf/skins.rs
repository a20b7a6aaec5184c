//! Skins, and the joints they make.

use std::collections::BTreeMap;

use super::accessor::{Accessors, Got};
use super::doc::Doc;
use crate::intake::{Fault, Limits};
use crate::model::{Joint, JointId, Local, NodeId, Parent, Range, Reads, Rig, Skin};

pub(super) fn read(
    doc: &Doc<'_>,
    accessors: &mut Accessors<'_>,
    rig: &mut Rig,
    limits: &Limits,
) -> Result<(), Fault> {
    let list = doc.list("skins")?;
    let mut slots: Vec<Vec<NodeId>> = Vec::with_capacity(list.len());
    let mut listed = 0_u64;
    for (index, skin) in list.iter().enumerate() {
        let pointer = format!("/skins/{index}");
        let joints: Vec<NodeId> = doc
            .indices(skin, "joints", &pointer, rig.nodes.len(), "node")?
            .into_iter()
            .map(NodeId::new)
            .collect();
        if joints.is_empty() {
            return Err(doc.invalid(
                format!("{pointer}/joints"),
                "a skin has at least one joint",
                "glTF 2.0 §5.28",
            ));
        }
        listed += joints.len() as u64;
        if listed > limits.joints * 16 {
            return Err(doc.limit(pointer, "joints", limits.joints * 16, listed));
        }
        slots.push(joints);
    }
    // The joint set is the union over skins, in node order.
    for node in slots.iter().flatten() {
        rig.nodes[node.index()].joint = Some(JointId(0));
    }
    let mut nodes = Vec::new();
    for (index, node) in rig.nodes.iter_mut().enumerate() {
        if node.joint.is_some() {
            node.joint = Some(JointId::new(nodes.len()));
            nodes.push(NodeId::new(index));
        }
    }
    if nodes.len() as u64 > limits.joints {
        return Err(doc.limit("/skins", "joints", limits.joints, nodes.len() as u64));
    }
    let above = nearest_joints(rig);
    for node in nodes {
        let this = &rig.nodes[node.index()];
        let rotation = match this.local {
            Local::Trs { rotation, .. } => Some(rotation),
            Local::Matrix(_) => None,
        };
        rig.joints.push(Joint {
            name: this.name.clone(),
            parent: above.get(&node).map_or(Parent::Root, |up| Parent::Joint(*up)),
            node: Some(node),
            rest: this.world,
            rotation,
            tip: None,
            role: None,
            range: Range::default(),
            part: None,
        });
    }
    let mut users: Vec<Vec<NodeId>> = vec![Vec::new(); list.len()];
    for (index, node) in rig.nodes.iter().enumerate() {
        if let Some(skin) = node.skin {
            users[skin.index()].push(NodeId::new(index));
        }
    }
    for (index, (value, nodes)) in list.iter().zip(slots).enumerate() {
        let pointer = format!("/skins/{index}");
        let skeleton = doc.index(value, "skeleton", &pointer, rig.nodes.len(), "node")?.map(NodeId::new);
        let mut bind_unread = false;
        let mut inverse_bind = None;
        if let Some(accessor) = accessors.index(value, "inverseBindMatrices", &pointer)? {
            match accessors.matrices(accessor, Reads::BIND)? {
                Got::Data(list) => inverse_bind = Some(list),
                Got::Missing => bind_unread = true,
            }
        }
        rig.skins.push(Skin {
            name: doc.name(value, &pointer, limits.name_bytes)?,
            joints: nodes.iter().filter_map(|node| rig.nodes[node.index()].joint).collect(),
            inverse_bind,
            bind_unread,
            skeleton,
            users: std::mem::take(&mut users[index]),
        });
    }
    Ok(())
}

/// For every joint's node the nearest joint above it. One pass from the roots: chains may be long.
fn nearest_joints(rig: &Rig) -> BTreeMap<NodeId, JointId> {
    let mut found = BTreeMap::new();
    let mut open: Vec<(NodeId, Option<JointId>)> = (0..rig.nodes.len())
        .map(NodeId::new)
        .filter(|node| rig.nodes[node.index()].parent.is_none())
        .map(|node| (node, None))
        .collect();
    while let Some((node, above)) = open.pop() {
        let this = &rig.nodes[node.index()];
        if this.joint.is_some()
            && let Some(above) = above
        {
            found.insert(node, above);
        }
        let next = this.joint.or(above);
        open.extend(this.children.iter().map(|child| (*child, next)));
    }
    found
}
