//! Faults of how joints hang.

use super::super::edit::Growth;
use super::super::{Document, Planted, Planter, Site};
use crate::model::{JointId, Parent};
use crate::testing::Mutation;

pub(super) const PLANTERS: &[Planter] = &[
    Planter { check: "structure/depth", band: None, plan: true, gltf: true, far: Some(200.0), plant: depth },
    Planter {
        check: "structure/doubtful-parent",
        band: None,
        plan: true,
        gltf: true,
        far: None,
        plant: doubtful_parent,
    },
    Planter {
        check: "structure/unparented",
        band: None,
        plan: true,
        gltf: false,
        far: None,
        plant: unparented,
    },
];

/// A run of joints grows from a last joint.
fn depth(site: &mut Site<'_>) -> Option<Planted> {
    let tree = site.facts.tree();
    let deepest = tree.depth.iter().max().copied()? + 1;
    if f64::from(deepest) > site.limit {
        return None;
    }
    let ends: Vec<JointId> =
        site.joints().into_iter().filter(|joint| tree.children[joint.index()].is_empty()).collect();
    let from = site.draw(&ends)?;
    let here = tree.depth[from.index()] + 1;
    let wanted = site.amount.round() as usize;
    let count = wanted.saturating_sub(here as usize);
    let step = site.random.direction() * 0.002 * site.facts.s();
    let grown = site.grow(&Growth { from, count, step, stem: "coil", role: "deforming", chained: true })?;
    let subjects = vec![grown.pointers.last().cloned().unwrap_or_else(|| site.pointer(from))];
    let what = format!("{count} joints more below {}, the {here}th", site.name(from));
    Some(Planted { document: grown.document, subjects, what })
}

/// A joint hangs from one far away, which lies in another branch.
fn doubtful_parent(site: &mut Site<'_>) -> Option<Planted> {
    let (facts, tree) = (site.facts, site.facts.tree());
    let origin = |joint: JointId| facts.origin(joint);
    let known: Vec<JointId> = site.joints().into_iter().filter(|joint| facts.deforms(*joint)).collect();
    let hung: Vec<(JointId, JointId)> = known
        .iter()
        .filter_map(|joint| Some((*joint, tree.parent[joint.index()]?)))
        .filter(|(joint, up)| {
            // Where a twin says the same, and the parent is near: a sound place.
            facts.deforms(*up)
                && tree.parent[up.index()].is_some()
                && facts.twins().twin(*joint).is_none_or(|twin| {
                    let mirrored = facts.twins().of.get(up.index()).copied().flatten();
                    tree.parent[twin.index()] == mirrored
                })
        })
        .collect();
    let (joint, up) = site.draw(&hung)?;
    let below = |other: JointId| other == joint || tree.ancestors(other).any(|above| above == joint);
    let near = origin(joint).distance(origin(up));
    let far: Vec<JointId> = known
        .into_iter()
        .filter(|other| !below(*other) && tree.parent[other.index()].is_some())
        .filter(|other| tree.parent[up.index()] != Some(*other) && tree.parent[other.index()] != Some(up))
        .filter(|other| origin(joint).distance(origin(*other)) > (4.0 * near).max(0.2 * facts.s()))
        .collect();
    let parent = site.draw(&far)?;
    let fault =
        Mutation::Parent { joint: site.name(joint).to_owned(), parent: Some(site.name(parent).to_owned()) };
    Some(Planted {
        document: site.mutate(&fault)?,
        subjects: vec![site.pointer(joint)],
        what: format!("{} hangs from {} and not from {}", site.name(joint), site.name(parent), site.name(up)),
    })
}

/// A joint's parent is not decided.
fn unparented(site: &mut Site<'_>) -> Option<Planted> {
    let rig = site.facts.rig();
    let hung: Vec<JointId> = site
        .joints()
        .into_iter()
        .filter(|joint| matches!(rig.joints[joint.index()].parent, Parent::Joint(_)))
        .collect();
    let joint = site.draw(&hung)?;
    let mut plan = site.spoilt_plan()?;
    plan["joints"][joint.index()].as_object_mut()?.remove("parent");
    let what = format!("the parent of {} is left open", site.name(joint));
    Some(Planted { document: Document::Plan(plan), subjects: vec![site.pointer(joint)], what })
}
