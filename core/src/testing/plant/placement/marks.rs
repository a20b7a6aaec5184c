//! Faults of single points: gaps, pivots, joints in one place.

use glam::{DQuat, DVec3};
use serde_json::{Value, json};

use super::super::{Document, Planted, Planter, Site, node_pointer};
use crate::export::Scene;
use crate::facts::TipKind;
use crate::finding::vector_json;
use crate::model::{JointId, NodeId};
use crate::testing::Mutation;

pub(super) const PLANTERS: &[Planter] = &[
    Planter {
        check: "placement/coincident",
        band: None,
        plan: true,
        gltf: true,
        far: Some(0.0),
        plant: coincident,
    },
    Planter { check: "placement/gap", band: None, plan: true, gltf: false, far: Some(0.05), plant: gap },
    Planter {
        check: "placement/piece-pivot",
        band: None,
        plan: true,
        gltf: false,
        far: Some(0.1),
        plant: piece_pivot,
    },
];

/// A joint of a part moves off the tip that it starts at.
fn gap(site: &mut Site<'_>) -> Option<Planted> {
    let (facts, rig) = (site.facts, site.facts.rig());
    let parent = &facts.tree().parent;
    let mut met: Vec<(JointId, JointId)> = Vec::new();
    for part in &rig.parts {
        if let (true, Some(Ok(first))) = (part.starts_at_parent_tip, part.joints.first())
            && let Some(up) = parent[first.index()]
        {
            met.push((up, *first));
        }
        for pair in part.joints.windows(2) {
            if let [Ok(up), Ok(joint)] = pair
                && parent[joint.index()] == Some(*up)
            {
                met.push((*up, *joint));
            }
        }
    }
    met.retain(|(up, joint)| {
        let tip = rig.joints[up.index()].tip;
        site.unique(*joint) && tip.is_some_and(|tip| tip.distance(facts.origin(*joint)) < 1e-5 * facts.s())
    });
    let (up, joint) = site.draw(&met)?;
    let by = site.random.direction() * site.amount * facts.s();
    let subjects = vec![site.pointer(joint)];
    if site.random.unit() < 0.5 {
        let fault = Mutation::Move { joint: site.name(joint).to_owned(), by: site.own_move(by) };
        let what = format!("{} starts {:.4} of S off", site.name(joint), site.amount);
        return Some(Planted { document: site.mutate(&fault)?, subjects, what });
    }
    let mut plan = site.spoilt_plan()?;
    let tip = rig.joints[up.index()].tip? + by;
    plan["joints"][up.index()]["tip"] = vector_json(rig.frame.point_to_plan(tip));
    let what = format!("{} ends {:.4} of S before {}", site.name(up), site.amount, site.name(joint));
    Some(Planted { document: Document::Plan(plan), subjects, what })
}

/// A piece's pivot moves off the joint that carries it.
fn piece_pivot(site: &mut Site<'_>) -> Option<Planted> {
    let (facts, rig) = (site.facts, site.facts.rig());
    let sound: Vec<usize> = (0..rig.pieces.len())
        .filter(|index| {
            let piece = &rig.pieces[*index];
            let at = piece.carried_by.as_ref().ok().map(|joint| facts.origin(*joint));
            at.zip(piece.pivot).is_some_and(|(at, pivot)| at.distance(pivot) < 1e-5 * facts.s())
        })
        .collect();
    let piece = site.draw(&sound)?;
    let to = rig.pieces[piece].pivot? + site.random.direction() * site.amount * facts.s();
    let mut plan = site.spoilt_plan()?;
    plan["pieces"][piece]["pivot"] = vector_json(rig.frame.point_to_plan(to));
    let what = format!("the pivot of {} is {:.4} of S off", rig.pieces[piece].name, site.amount);
    Some(Planted { document: Document::Plan(plan), subjects: vec![format!("/pieces/{piece}")], what })
}

/// A joint gets a copy beside it, which takes half of its skin.
fn coincident(site: &mut Site<'_>) -> Option<Planted> {
    let (facts, rig) = (site.facts, site.facts.rig());
    let known = |joint: &JointId| {
        let tip = &facts.tips()[joint.index()];
        let long = tip.point.distance(facts.origin(*joint)) > 5.0 * site.limit * facts.s();
        facts.deforms(*joint) && tip.known() && long && site.at_bind(*joint)
    };
    let list: Vec<JointId> = site.joints().into_iter().filter(known).collect();
    let joint = site.draw(&list)?;
    let by = site.random.direction() * site.amount * facts.s();
    let name = site.free_name(&format!("{}_again", site.name(joint)));
    let what = format!("{name} lies {:.5} of S beside {}", site.amount, site.name(joint));
    let point = facts.tips()[joint.index()].point + by;
    if let Some(mut plan) = site.spoilt_plan() {
        let mut copy = plan["joints"][joint.index()].clone();
        copy["name"] = json!(name);
        copy["origin"] = vector_json(rig.frame.point_to_plan(facts.origin(joint) + by));
        copy["tip"] = vector_json(rig.frame.point_to_plan(point));
        let joints = plan["joints"].as_array_mut()?;
        let added = format!("/joints/{}", joints.len());
        joints.push(copy);
        if plan["joints"][joint.index()]["parent"] == Value::Null {
            return None;
        }
        return Some(Planted {
            document: Document::Plan(plan),
            subjects: vec![site.pointer(joint), added],
            what,
        });
    }
    let Document::Scene(mut scene) = site.ground.document.clone() else { return None };
    let node = rig.joints[joint.index()].node?.index();
    rig.nodes[node].parent?;
    // The tip of the original is on its long axis: the copy's is as far along.
    let frame = &facts.bind().joints[joint.index()];
    let marker = frame.basis.transpose() * (point - by - frame.origin) / frame.scale;
    let axial = !matches!(facts.tips()[joint.index()].kind, TipKind::Guess | TipKind::None);
    let copied = axial.then(|| copy_joint(&mut scene, node, by, marker, name)).flatten()?;
    let subjects = vec![site.pointer(joint), node_pointer(NodeId::new(copied))];
    Some(Planted { document: Document::Scene(scene), subjects, what })
}

/// A second joint beside a first one, with a bare node at its tip and half of its skin.
fn copy_joint(scene: &mut Scene, node: usize, by: DVec3, marker: DVec3, name: String) -> Option<usize> {
    let (copy, end) = (scene.nodes.len(), scene.nodes.len() + 1);
    let mut twin = scene.nodes[node].clone();
    twin.name = Some(name.clone());
    twin.mesh = None;
    scene.nodes.push(twin);
    scene.nodes.push(crate::export::SceneNode {
        name: Some(format!("{name}_end")),
        parent: Some(copy),
        translation: marker.to_array(),
        rotation: DQuat::IDENTITY.to_array(),
        scale: DVec3::ONE.to_array(),
        mesh: None,
        skin: None,
    });
    let mut bound = false;
    for index in 0..scene.skins.len() {
        let Some(slot) = scene.skins[index].joints.iter().position(|joint| *joint == node) else { continue };
        let new = scene.skins[index].joints.len() as u16;
        let list = scene.skins[index].inverse_bind.as_mut()?;
        list.push(*list.get(slot)?);
        scene.skins[index].joints.push(copy);
        let users: Vec<usize> =
            scene.nodes.iter().filter(|node| node.skin == Some(index)).filter_map(|node| node.mesh).collect();
        for mesh in users {
            for row in &mut scene.meshes[mesh].influences {
                let own = row.iter_mut().find(|(joint, _)| usize::from(*joint) == slot);
                let Some((_, weight)) = own else { continue };
                *weight /= 2.0;
                let half = *weight;
                row.push((new, half));
                bound = true;
            }
        }
    }
    // Beside the first one, at bind and at rest.
    let shift = Mutation::Move { joint: name, by };
    shift.plant_in_scene(scene).ok()?;
    // The marker goes along: a move leaves what hangs from a joint where it was.
    scene.nodes[end].translation = marker.to_array();
    bound.then_some(copy)
}
