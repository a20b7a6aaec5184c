//! Changes that several planters make: joints that are added or moved, and assets that are turned or scaled as a whole.

use glam::{DMat4, DQuat, DVec3};
use serde_json::{Value, json};

use super::{Document, Site, node_pointer};
use crate::export::{Scene, SceneNode, ScenePath};
use crate::finding::{quaternion_json, vector_json};
use crate::model::{JointId, NodeId};
use crate::testing::Mutation;

/// Joints to be added below another one.
pub(super) struct Growth<'g> {
    /// Where they hang.
    pub from: JointId,
    /// How many.
    pub count: usize,
    /// From one to the next, metres, rig frame, at bind.
    pub step: DVec3,
    /// What they are called, before a number.
    pub stem: &'g str,
    /// Their role in a plan.
    pub role: &'static str,
    /// Each hangs from the one before it; else all hang from the same.
    pub chained: bool,
}

/// Added joints.
pub(super) struct Grown {
    pub document: Document,
    /// One per joint.
    pub names: Vec<String>,
    /// One per joint.
    pub pointers: Vec<String>,
    /// In a scene, the skin they were added to and the slot of the first.
    pub slots: Option<(usize, usize)>,
}

impl Site<'_> {
    /// A name that no joint and no node has.
    pub(super) fn free_name(&self, wanted: &str) -> String {
        let rig = self.facts.rig();
        let joints = rig.joints.iter().map(|joint| &joint.name);
        let all: Vec<&str> = joints
            .chain(rig.nodes.iter().map(|node| &node.name))
            .filter_map(|name| name.as_deref())
            .collect();
        let mut name = wanted.to_owned();
        while all.contains(&name.as_str()) {
            name.push('x');
        }
        name
    }

    /// Plants several faults, one after the other.
    pub(super) fn mutate_all(&self, faults: &[Mutation]) -> Option<Document> {
        let mut document = self.ground.document.clone();
        for fault in faults {
            match &mut document {
                Document::Plan(plan) => fault.plant_in_plan(plan).ok()?,
                Document::Scene(scene) => fault.plant_in_scene(scene).ok()?,
            }
        }
        Some(document)
    }

    /// Adds joints.
    pub(super) fn grow(&self, growth: &Growth<'_>) -> Option<Grown> {
        let names: Vec<String> =
            (1..=growth.count).map(|number| self.free_name(&format!("{}_{number}", growth.stem))).collect();
        let from = growth.from;
        let mut document = self.ground.document.clone();
        let mut pointers = Vec::new();
        let mut slots = None;
        match &mut document {
            Document::Plan(plan) => {
                let rig = self.facts.rig();
                let turn = rig.joints[from.index()].rotation;
                let joints = plan["joints"].as_array_mut()?;
                let mut up = self.name(from).to_owned();
                let mut at = self.facts.origin(from);
                for name in &names {
                    at += growth.step;
                    let point = |p: DVec3| vector_json(rig.frame.point_to_plan(p));
                    let mut joint = json!({"name": name, "parent": up, "origin": point(at),
                        "tip": point(at + growth.step), "role": growth.role});
                    if turn.is_some() {
                        joint["orientation"] = joints[from.index()]["orientation"].clone();
                    }
                    pointers.push(format!("/joints/{}", joints.len()));
                    joints.push(joint);
                    if growth.chained {
                        up.clone_from(name);
                    }
                }
            }
            Document::Scene(scene) => {
                let node = self.facts.rig().joints[from.index()].node?.index();
                let frame = &self.facts.bind().joints[from.index()];
                let own = frame.basis.transpose() * growth.step / frame.scale;
                let (mut up, mut reach) = (node, 0.0);
                for name in &names {
                    reach += 1.0;
                    let offset = if growth.chained { own } else { own * reach };
                    let (added, slot) = add_joint(scene, up, offset, name)?;
                    slots = slots.or(Some(slot));
                    pointers.push(node_pointer(NodeId::new(added)));
                    if growth.chained {
                        up = added;
                    }
                }
            }
        }
        Some(Grown { document, names, pointers, slots })
    }

    /// Moves joints alone, with what ended at them in a plan: the tips of their parents.
    pub(super) fn moved(&self, moves: &[(JointId, DVec3)]) -> Option<Document> {
        let faults: Vec<Mutation> = moves
            .iter()
            .map(|(joint, by)| Mutation::Move { joint: self.name(*joint).to_owned(), by: self.own_move(*by) })
            .collect();
        let mut document = self.mutate_all(&faults)?;
        if let Document::Plan(plan) = &mut document {
            let (facts, rig) = (self.facts, self.facts.rig());
            for (joint, by) in moves {
                let Some(up) = facts.tree().parent[joint.index()] else { continue };
                let Some(tip) = rig.joints[up.index()].tip else { continue };
                if tip.distance(facts.origin(*joint)) < 1e-4 * facts.s() {
                    let to = rig.frame.point_to_plan(facts.origin(*joint) + *by);
                    plan["joints"][up.index()]["tip"] = vector_json(to);
                }
            }
        }
        Some(document)
    }

    /// The turn of a joint's own frame that takes one direction to another, so that its axes lie as they did.
    pub(super) fn aimed(&self, joint: JointId, from: DVec3, to: DVec3) -> Option<Mutation> {
        let turn = DQuat::from_rotation_arc(from.try_normalize()?, to.try_normalize()?);
        let (axis, angle) = turn.to_axis_angle();
        let axis = (self.facts.bind().joints[joint.index()].basis.transpose() * axis).try_normalize()?;
        Some(Mutation::Twist { joint: self.name(joint).to_owned(), axis, degrees: angle.to_degrees() })
    }

    /// The whole asset turned about the vertical.
    pub(super) fn turned(&self, degrees: f64) -> Option<Document> {
        let turn = DQuat::from_rotation_y(degrees.to_radians());
        let mut document = self.ground.document.clone();
        match &mut document {
            Document::Plan(plan) => self.turn_plan(plan, turn),
            Document::Scene(scene) => turn_scene(scene, turn)?,
        }
        Some(document)
    }

    fn turn_plan(&self, plan: &mut Value, turn: DQuat) {
        let rig = self.facts.rig();
        let point = |p: DVec3| vector_json(rig.frame.point_to_plan(turn * p));
        for (index, joint) in rig.joints.iter().enumerate() {
            let out = &mut plan["joints"][index];
            out["origin"] = point(joint.origin());
            if let Some(tip) = joint.tip {
                out["tip"] = point(tip);
            }
            if joint.rotation.is_some() {
                let own = turn * DQuat::from_mat4(&joint.rest);
                out["orientation"] = quaternion_json(rig.frame.turn_to_plan(own));
            }
        }
        for (index, foot) in rig.feet.iter().enumerate() {
            plan["feet"][index]["contact"] = point(foot.contact);
            if let Some(rocking) = foot.rocking {
                plan["feet"][index]["rocking"] = json!(rocking.map(point));
            }
        }
        for (index, piece) in rig.pieces.iter().enumerate() {
            if let Some(pivot) = piece.pivot {
                plan["pieces"][index]["pivot"] = point(pivot);
            }
        }
    }

    /// The whole asset so many times as large.
    pub(super) fn scaled(&self, factor: f64) -> Document {
        let mut document = self.ground.document.clone();
        match &mut document {
            Document::Plan(plan) => {
                plan["units"] = json!({"metres": self.facts.rig().frame.metres * factor});
            }
            Document::Scene(scene) => scale_scene(scene, factor),
        }
        document
    }
}

/// A joint below another one, in the first skin that has it; its node, and skin and slot.
fn add_joint(scene: &mut Scene, parent: usize, offset: DVec3, name: &str) -> Option<(usize, (usize, usize))> {
    let node = scene.nodes.len();
    let (skin, slot) =
        scene.skins.iter().enumerate().find_map(|(index, skin)| {
            Some((index, skin.joints.iter().position(|joint| *joint == parent)?))
        })?;
    let list = scene.skins[skin].inverse_bind.as_mut()?;
    let above = DMat4::from_cols_array(&list.get(slot)?.map(f64::from));
    let own = DMat4::from_translation(-offset) * above;
    list.push(own.to_cols_array().map(|number| number as f32));
    scene.skins[skin].joints.push(node);
    scene.nodes.push(SceneNode {
        name: Some(name.to_owned()),
        parent: Some(parent),
        translation: offset.to_array(),
        rotation: DQuat::IDENTITY.to_array(),
        scale: DVec3::ONE.to_array(),
        mesh: None,
        skin: None,
    });
    Some((node, (skin, scene.skins[skin].joints.len() - 1)))
}

/// Nodes by a node above them all, skins in their own space.
fn turn_scene(scene: &mut Scene, turn: DQuat) -> Option<()> {
    let skinned: Vec<usize> =
        scene.nodes.iter().filter(|node| node.skin.is_some()).filter_map(|node| node.mesh).collect();
    let carried = |mesh: &usize| scene.nodes.iter().any(|n| n.mesh == Some(*mesh) && n.skin.is_none());
    // A mesh that is both skinned and carried has two spaces at once.
    if skinned.iter().any(carried) || scene.skins.iter().any(|skin| skin.inverse_bind.is_none()) {
        return None;
    }
    let above = scene.nodes.len();
    for node in scene.nodes.iter_mut().filter(|node| node.parent.is_none() && node.skin.is_none()) {
        node.parent = Some(above);
    }
    scene.off_scene.clear();
    scene.nodes.push(SceneNode {
        name: Some("turned".to_owned()),
        parent: None,
        translation: [0.0; 3],
        rotation: turn.to_array(),
        scale: [1.0; 3],
        mesh: None,
        skin: None,
    });
    let once: std::collections::BTreeSet<usize> = skinned.into_iter().collect();
    for mesh in once {
        let mesh = &mut scene.meshes[mesh];
        for point in mesh.positions.iter_mut().chain(&mut mesh.normals) {
            *point = (turn * DVec3::from(point.map(f64::from))).as_vec3().to_array();
        }
    }
    let back = DMat4::from_quat(turn.inverse());
    for matrix in scene.skins.iter_mut().filter_map(|skin| skin.inverse_bind.as_mut()).flatten() {
        let wide = DMat4::from_cols_array(&matrix.map(f64::from)) * back;
        *matrix = wide.to_cols_array().map(|number| number as f32);
    }
    Some(())
}

fn scale_scene(scene: &mut Scene, factor: f64) {
    for node in &mut scene.nodes {
        node.translation = node.translation.map(|number| number * factor);
    }
    for point in scene.meshes.iter_mut().flat_map(|mesh| &mut mesh.positions) {
        *point = point.map(|number| (f64::from(number) * factor) as f32);
    }
    for matrix in scene.skins.iter_mut().filter_map(|skin| skin.inverse_bind.as_mut()).flatten() {
        for number in &mut matrix[12..15] {
            *number = (f64::from(*number) * factor) as f32;
        }
    }
    let moved = scene.clips.iter_mut().flat_map(|clip| &mut clip.channels);
    for channel in moved.filter(|channel| channel.path == ScenePath::Translation) {
        for number in &mut channel.values {
            *number = (f64::from(*number) * factor) as f32;
        }
    }
}
