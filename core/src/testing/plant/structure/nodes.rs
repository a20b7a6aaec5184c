//! Faults of a glTF's nodes and skins.

use super::super::{Document, Planted, Planter, Site, node_pointer};
use crate::export::SceneNode;
use crate::model::{JointId, NodeId};

const fn planter(
    check: &'static str,
    band: Option<&'static str>,
    plant: fn(&mut Site<'_>) -> Option<Planted>,
) -> Planter {
    Planter { check, band, plan: false, gltf: true, far: None, plant }
}

pub(super) const PLANTERS: &[Planter] = &[
    planter("structure/empty-joint", None, empty_joint),
    planter("structure/stray-node", Some("between"), between),
    planter("structure/stray-node", Some("skinned-mesh"), skinned_below),
];

/// The weights of a joint and of all below it go to the joint above.
fn empty_joint(site: &mut Site<'_>) -> Option<Planted> {
    let Document::Scene(mut scene) = site.ground.document.clone() else { return None };
    let (facts, rig, tree) = (site.facts, site.facts.rig(), site.facts.tree());
    let inner: Vec<(JointId, JointId)> = site
        .joints()
        .into_iter()
        .filter(|joint| !tree.children[joint.index()].is_empty() && facts.deforms(*joint))
        .filter_map(|joint| Some((joint, tree.parent[joint.index()]?)))
        .collect();
    let (joint, up) = site.draw(&inner)?;
    let node = |joint: JointId| rig.joints[joint.index()].node.map(NodeId::index);
    let emptied: Vec<JointId> = (0..rig.joints.len())
        .map(JointId::new)
        .filter(|other| *other == joint || tree.ancestors(*other).any(|above| above == joint))
        .collect();
    // What a joint carries hangs on: such a joint is not idle.
    let carries = |joint: &JointId| {
        let own = node(*joint);
        let mut at: Vec<usize> = scene
            .nodes
            .iter()
            .enumerate()
            .filter(|(_, n)| n.mesh.is_some() && n.skin.is_none())
            .map(|(i, _)| i)
            .collect();
        at.retain(|mesh| {
            let mut up = Some(*mesh);
            while let Some(index) = up {
                if Some(index) == own {
                    return true;
                }
                up = scene.nodes[index].parent;
            }
            false
        });
        !at.is_empty()
    };
    if emptied.iter().any(carries) {
        return None;
    }
    let gone: Vec<usize> = emptied.iter().filter_map(|joint| node(*joint)).collect();
    let heir = node(up)?;
    let mut taken = 0;
    let drawn: Vec<(usize, usize)> =
        scene.nodes.iter().filter_map(|node| Some((node.mesh?, node.skin?))).collect();
    for (mesh, skin) in drawn {
        let joints = &scene.skins[skin].joints;
        let slots: Vec<u16> =
            (0..joints.len()).filter(|slot| gone.contains(&joints[*slot])).map(|slot| slot as u16).collect();
        let rows = &mut scene.meshes[mesh].influences;
        let touched = rows.iter().flatten().any(|(slot, _)| slots.contains(slot));
        if !touched {
            continue;
        }
        let heir = joints.iter().position(|joint| *joint == heir)? as u16;
        for row in rows.iter_mut() {
            let share: f32 = row.iter().filter(|(slot, _)| slots.contains(slot)).map(|(_, w)| w).sum();
            if share == 0.0 {
                continue;
            }
            row.retain(|(slot, _)| !slots.contains(slot));
            match row.iter_mut().find(|(slot, _)| *slot == heir) {
                Some((_, weight)) => *weight += share,
                None => row.push((heir, share)),
            }
            taken += 1;
        }
    }
    if taken == 0 {
        return None;
    }
    let what = format!("{} and all below it lose their skin to {}", site.name(joint), site.name(up));
    Some(Planted { document: Document::Scene(scene), subjects: vec![site.pointer(joint)], what })
}

/// A node without meaning is put between a joint and its parent.
fn between(site: &mut Site<'_>) -> Option<Planted> {
    let Document::Scene(mut scene) = site.ground.document.clone() else { return None };
    let rig = site.facts.rig();
    let direct: Vec<(usize, usize)> = rig
        .joints
        .iter()
        .filter_map(|joint| {
            let node = joint.node?;
            let up = rig.nodes[node.index()].parent?;
            rig.nodes[up.index()].joint.map(|_| (node.index(), up.index()))
        })
        .collect();
    let (node, up) = site.draw(&direct)?;
    let added = scene.nodes.len();
    scene.nodes.push(SceneNode {
        name: Some(site.free_name("offset")),
        parent: Some(up),
        translation: [0.0; 3],
        rotation: [0.0, 0.0, 0.0, 1.0],
        scale: [1.0; 3],
        mesh: None,
        skin: None,
    });
    scene.nodes[node].parent = Some(added);
    let what = format!("node {added} stands between {up} and {node}");
    Some(Planted { document: Document::Scene(scene), subjects: vec![node_pointer(NodeId::new(added))], what })
}

/// A skinned mesh hangs from a joint.
fn skinned_below(site: &mut Site<'_>) -> Option<Planted> {
    let Document::Scene(mut scene) = site.ground.document.clone() else { return None };
    let rig = site.facts.rig();
    let drawn: Vec<usize> = (0..rig.nodes.len())
        .filter(|index| {
            let node = &rig.nodes[*index];
            node.skin.is_some() && node.mesh.is_some() && node.joint.is_none() && node.children.is_empty()
        })
        .collect();
    let mesh = site.draw(&drawn)?;
    let joints: Vec<usize> = rig.joints.iter().filter_map(|joint| Some(joint.node?.index())).collect();
    let joint = site.draw(&joints)?;
    scene.nodes[mesh].parent = Some(joint);
    let what = format!("the skinned node {mesh} hangs from the joint's node {joint}");
    Some(Planted { document: Document::Scene(scene), subjects: vec![node_pointer(NodeId::new(mesh))], what })
}
