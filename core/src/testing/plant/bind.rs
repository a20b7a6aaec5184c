//! Faults between bind and rest.

pub(super) mod nodes;
pub(super) mod skins;

use glam::DQuat;

use super::{Planted, Planter, Site};
use crate::facts::TipKind;
use crate::model::{ChannelPath, JointId};
use crate::testing::Mutation;

pub(super) const PLANTERS: &[Planter] = &[
    Planter {
        check: "bind/edited-after",
        band: None,
        plan: false,
        gltf: true,
        far: Some(0.5),
        plant: edited_after,
    },
    Planter {
        check: "bind/posed-rest",
        band: Some("turned"),
        plan: false,
        gltf: true,
        far: Some(90.0),
        plant: posed_rest,
    },
];

/// A segment is made longer or shorter after binding.
fn edited_after(site: &mut Site<'_>) -> Option<Planted> {
    let (facts, rig) = (site.facts, site.facts.rig());
    let bound = |joint: JointId| facts.bind().joints[joint.index()].from_matrix;
    // What a clip moves may have any length that the clip gives it.
    let driven = |joint: JointId| {
        let node = rig.joints[joint.index()].node;
        rig.clips.iter().flat_map(|clip| &clip.channels).any(|channel| {
            channel.node == node && matches!(channel.path, ChannelPath::Translation | ChannelPath::Scale)
        })
    };
    let segments: Vec<(JointId, JointId)> = site
        .joints()
        .into_iter()
        .filter_map(|joint| match facts.tips()[joint.index()].kind {
            TipKind::Child(child) => Some((joint, child)),
            _ => None,
        })
        .filter(|(joint, child)| bound(*joint) && bound(*child) && !driven(*joint) && !driven(*child))
        .filter(|(joint, child)| {
            let node = |joint: &JointId| rig.joints[joint.index()].node;
            node(child).and_then(|node| rig.nodes[node.index()].parent) == node(joint)
        })
        .collect();
    let (joint, child) = site.draw(&segments)?;
    let slot = facts.bind().slot[joint.index()]?;
    let factor = 1.0 + site.amount * site.random.sign();
    let fault = Mutation::Lengthen { joint: site.name(joint).to_owned(), factor };
    Some(Planted {
        document: site.mutate(&fault)?,
        subjects: vec![site.pointer(joint), site.pointer(child), format!("/skins/{}", slot.0.0)],
        what: format!("{} is {factor:.3} times as long", site.name(joint)),
    })
}

/// A joint is turned after binding.
fn posed_rest(site: &mut Site<'_>) -> Option<Planted> {
    let facts = site.facts;
    let bound: Vec<JointId> = site
        .joints()
        .into_iter()
        .filter(|joint| facts.bind().joints[joint.index()].from_matrix)
        .filter(|joint| {
            let up = facts.tree().parent[joint.index()];
            up.is_some_and(|up| facts.bind().joints[up.index()].from_matrix)
        })
        .collect();
    let joint = site.draw(&bound)?;
    let skin = facts.bind().slot[joint.index()]?.0;
    let turn = DQuat::from_axis_angle(site.random.direction(), site.amount.to_radians());
    let fault = Mutation::Pose { joint: site.name(joint).to_owned(), turn };
    Some(Planted {
        document: site.mutate(&fault)?,
        subjects: vec![format!("/skins/{}", skin.0), site.pointer(joint)],
        what: format!("{} is turned by {:.2}° at rest", site.name(joint), site.amount),
    })
}
