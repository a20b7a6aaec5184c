//! Faults against the standards for humanoids.

use glam::{DQuat, DVec3};

use super::super::{Document, Planted, Planter, Site};
use crate::finding::vector_json;
use crate::model::JointId;
use crate::standards::vrm;
use crate::testing::Mutation;

const fn planter(
    band: &'static str,
    plan: bool,
    gltf: bool,
    plant: fn(&mut Site<'_>) -> Option<Planted>,
) -> Planter {
    Planter { check: "naming/standard", band: Some(band), plan, gltf, far: None, plant }
}

pub(super) const PLANTERS: &[Planter] = &[
    planter("no-map", false, true, no_map),
    planter("bone", false, true, bone),
    planter("required", true, true, required),
    planter("parent", true, true, parent),
    planter("scale", false, true, scale),
    Planter { far: Some(90.0), ..planter("t-pose", true, true, t_pose) },
    planter("h-anim", true, true, h_anim),
];

fn whole(document: Document, what: String) -> Planted {
    Planted { document, subjects: vec![String::new()], what }
}

fn scene(site: &Site<'_>) -> Option<crate::export::Scene> {
    if let Document::Scene(scene) = &site.ground.document { Some(scene.clone()) } else { None }
}

/// The map is left out.
fn no_map(site: &mut Site<'_>) -> Option<Planted> {
    let mut scene = scene(site)?;
    scene.humanoid.clear();
    // The same fault in other skeletons: with one more joint here or there.
    let joints = site.joints();
    let joint = site.draw(&joints)?;
    let node = site.facts.rig().joints[joint.index()].node?;
    scene.nodes[node.index()].name = Some(format!("{}_own", site.name(joint)));
    Some(whole(Document::Scene(scene), "there is no humanoid map".into()))
}

/// The map has a bone that the standard does not know.
fn bone(site: &mut Site<'_>) -> Option<Planted> {
    let mut scene = scene(site)?;
    let name = site.draw(&["tail", "Hips", "leftWing", "leftupperarm", "chest2", "LeftHand"])?;
    let node = site.random.below(scene.nodes.len());
    scene.humanoid.push((name.to_owned(), node));
    Some(whole(Document::Scene(scene), format!("the map has {name}")))
}

/// A bone that every humanoid has is not there.
fn required(site: &mut Site<'_>) -> Option<Planted> {
    let names: Vec<&str> = vrm().values().filter(|bone| bone.required).map(|bone| bone.name).collect();
    let name = site.draw(&names)?;
    let what = format!("{name} is missing");
    if site.plan() {
        let fault = Mutation::Rename { joint: name.to_owned(), name: format!("my_{name}") };
        return Some(whole(site.mutate(&fault)?, what));
    }
    let mut scene = scene(site)?;
    scene.humanoid.retain(|(bone, _)| bone != name);
    Some(whole(Document::Scene(scene), what))
}

/// A joint hangs from another one than its parent, and not from one below it.
fn rehung(site: &mut Site<'_>) -> Option<(JointId, Document, String)> {
    let tree = site.facts.tree();
    let hung: Vec<JointId> =
        site.joints().into_iter().filter(|joint| tree.parent[joint.index()].is_some()).collect();
    let joint = site.draw(&hung)?;
    let up = tree.parent[joint.index()]?;
    let below = |other: JointId| other == joint || tree.ancestors(other).any(|above| above == joint);
    let places: Vec<JointId> =
        site.joints().into_iter().filter(|other| *other != up && !below(*other)).collect();
    let place = site.draw(&places)?;
    let fault =
        Mutation::Parent { joint: site.name(joint).to_owned(), parent: Some(site.name(place).to_owned()) };
    let what = format!("{} hangs from {}", site.name(joint), site.name(place));
    Some((joint, site.mutate(&fault)?, what))
}

fn parent(site: &mut Site<'_>) -> Option<Planted> {
    let (joint, document, what) = rehung(site)?;
    Some(Planted { document, subjects: vec![site.pointer(joint)], what })
}

/// A bone's node is flattened or mirrored.
fn scale(site: &mut Site<'_>) -> Option<Planted> {
    let joints = site.joints();
    let joint = site.draw(&joints)?;
    let mut by = DVec3::ONE;
    by[site.random.below(3)] = if site.random.sign() > 0.0 { 0.0 } else { -1.0 };
    let fault = Mutation::Scale { joint: site.name(joint).to_owned(), by };
    Some(Planted {
        document: site.mutate(&fault)?,
        subjects: vec![site.pointer(joint)],
        what: format!("{} is scaled by {by}", site.name(joint)),
    })
}

/// A limb is turned out of the T-pose, with all that hangs below.
fn t_pose(site: &mut Site<'_>) -> Option<Planted> {
    let bones = ["UpperArm", "LowerArm", "UpperLeg", "LowerLeg"];
    let own = site.draw(&bones)?;
    let side = site.draw(&["left", "right"])?;
    let (rig, tree) = (site.facts.rig(), site.facts.tree());
    let called = |name: &str| rig.joints.iter().position(|joint| joint.name.as_deref() == Some(name));
    let joint = JointId::new(called(&format!("{side}{own}"))?);
    let next = tree.children[joint.index()].first().copied()?;
    let along = (site.facts.origin(next) - site.facts.origin(joint)).try_normalize()?;
    // Away from the pose, not about the segment itself, and so that what is off already adds nothing.
    let pose =
        if own.ends_with("Arm") { DVec3::X * if side == "left" { 1.0 } else { -1.0 } } else { DVec3::NEG_Y };
    let axis = site.random.direction().reject_from_normalized(along).try_normalize()?;
    let now = along.angle_between(pose).to_degrees();
    let turn = DQuat::from_axis_angle(axis, (site.amount - now).max(0.0).to_radians());
    let what = format!("{side}{own} is turned by {:.1}° out of the pose", site.amount);
    let Some(mut plan) = site.spoilt_plan() else {
        // About the world's axis, told in the joint's own frame.
        let own_axis = DQuat::from_mat4(&rig.joints[joint.index()].rest).inverse() * axis;
        let turn = DQuat::from_axis_angle(own_axis, (site.amount - now).max(0.0).to_radians());
        let fault = Mutation::Pose { joint: site.name(joint).to_owned(), turn };
        return Some(whole(site.mutate(&fault)?, what));
    };
    let about = site.facts.origin(joint);
    let below = |other: &JointId| tree.ancestors(*other).any(|up| up == joint);
    for other in (0..rig.joints.len()).map(JointId::new).filter(below) {
        let to = about + turn * (site.facts.origin(other) - about);
        plan["joints"][other.index()]["origin"] = vector_json(rig.frame.point_to_plan(to));
    }
    Some(whole(Document::Plan(plan), what))
}

/// A joint of H-Anim has another name, or hangs elsewhere.
fn h_anim(site: &mut Site<'_>) -> Option<Planted> {
    if site.random.sign() > 0.0 {
        let (joint, document, what) = rehung(site)?;
        return Some(Planted { document, subjects: vec![site.pointer(joint)], what });
    }
    let joints = site.joints();
    let joint = site.draw(&joints)?;
    let old = site.name(joint).to_owned();
    let name = if site.random.sign() > 0.0 { old.to_uppercase() } else { format!("my_{old}") };
    let what = format!("{old} is called {name}");
    let fault = Mutation::Rename { joint: old, name };
    Some(whole(site.mutate(&fault)?, what))
}
