//! Faults of parents, roots and names of joints as a structure.

mod nodes;
mod parts;
mod tree;

use serde_json::json;

use super::{Planted, Planter, Site};
use crate::model::{JointId, Parent, nearest};
use crate::testing::Mutation;

pub(super) const ALL: &[&[Planter]] = &[PLANTERS, nodes::PLANTERS, parts::PLANTERS, tree::PLANTERS];

const PLANTERS: &[Planter] = &[
    Planter { check: "structure/cycle", band: None, plan: true, gltf: false, far: None, plant: cycle },
    Planter {
        check: "structure/duplicate-name",
        band: None,
        plan: true,
        gltf: true,
        far: None,
        plant: duplicate_name,
    },
    Planter {
        check: "structure/reference",
        band: Some("moved"),
        plan: true,
        gltf: true,
        far: Some(0.2),
        plant: moved_from_reference,
    },
    Planter { check: "structure/root", band: None, plan: true, gltf: true, far: None, plant: root },
    Planter {
        check: "structure/unknown-parent",
        band: None,
        plan: true,
        gltf: false,
        far: None,
        plant: unknown_parent,
    },
];

/// A joint hangs from one below it.
fn cycle(site: &mut Site<'_>) -> Option<Planted> {
    let tree = site.facts.tree();
    let deep: Vec<JointId> =
        site.joints().into_iter().filter(|joint| !tree.children[joint.index()].is_empty()).collect();
    let joint = site.draw(&deep)?;
    let mut ring = vec![joint];
    // Down by a random way, of a random length.
    loop {
        let children = tree.children[ring[ring.len() - 1].index()].clone();
        let Some(next) = site.draw(&children) else { break };
        ring.push(next);
        if site.random.unit() < 0.4 {
            break;
        }
    }
    let end = ring[ring.len() - 1];
    let fault =
        Mutation::Parent { joint: site.name(joint).to_owned(), parent: Some(site.name(end).to_owned()) };
    Some(Planted {
        document: site.mutate(&fault)?,
        subjects: ring.iter().map(|joint| site.pointer(*joint)).collect(),
        what: format!("{} hangs from {}, {} below it", site.name(joint), site.name(end), ring.len() - 1),
    })
}

/// A joint below which nothing hangs gets the name of another one.
fn duplicate_name(site: &mut Site<'_>) -> Option<Planted> {
    let joints = site.joints();
    let tree = site.facts.tree();
    let ends: Vec<JointId> =
        joints.iter().copied().filter(|joint| tree.children[joint.index()].is_empty()).collect();
    let (joint, other) = (site.draw(&ends)?, site.draw(&joints)?);
    if joint == other {
        return None;
    }
    let subjects = vec![site.pointer(joint), site.pointer(other)];
    let what = format!("{} is called {}", site.name(joint), site.name(other));
    let name = site.name(other).to_owned();
    let document = if let Some(mut plan) = site.spoilt_plan() {
        // References stay: nobody knows which of the two they mean.
        plan["joints"][joint.index()]["name"] = json!(name);
        super::Document::Plan(plan)
    } else {
        site.mutate(&Mutation::Rename { joint: site.name(joint).to_owned(), name })?
    };
    Some(Planted { document, subjects, what })
}

/// A joint stands elsewhere than in the reference, which is the sound rig.
fn moved_from_reference(site: &mut Site<'_>) -> Option<Planted> {
    let joints: Vec<JointId> = site.joints().into_iter().filter(|joint| site.at_bind(*joint)).collect();
    let joint = site.draw(&joints)?;
    let by = site.random.direction() * site.amount * site.facts.s();
    let fault = Mutation::Move { joint: site.name(joint).to_owned(), by: site.own_move(by) };
    Some(Planted {
        document: site.mutate(&fault)?,
        subjects: vec![site.pointer(joint)],
        what: format!("{} stands {:.4} of S off", site.name(joint), site.amount),
    })
}

/// A joint hangs from nothing.
fn root(site: &mut Site<'_>) -> Option<Planted> {
    let tree = site.facts.tree();
    let hung: Vec<JointId> =
        site.joints().into_iter().filter(|joint| tree.parent[joint.index()].is_some()).collect();
    let joint = site.draw(&hung)?;
    let mut subjects = vec![site.pointer(joint)];
    if site.plan() {
        subjects.push(String::new());
    } else {
        // In a glTF it is the skin that loses its common root: those that hold the joint or one below it, and another.
        let rig = site.facts.rig();
        let below = |at: JointId| at == joint || tree.ancestors(at).any(|up| up == joint);
        for (index, skin) in rig.skins.iter().enumerate() {
            let count = skin.joints.iter().filter(|at| below(**at)).count();
            if count > 0 && count < skin.joints.len() {
                subjects.push(format!("/skins/{index}"));
            }
        }
        // Else the tree falls in two without parting any skin.
        if subjects.len() == 1 {
            return None;
        }
        let node = rig.joints[joint.index()].node?;
        rig.nodes[node.index()].parent?;
    }
    let fault = Mutation::Parent { joint: site.name(joint).to_owned(), parent: None };
    Some(Planted {
        document: site.mutate(&fault)?,
        subjects,
        what: format!("{} hangs from nothing", site.name(joint)),
    })
}

/// A parent's name is misspelt: two letters change places, or one is lost or doubled.
fn unknown_parent(site: &mut Site<'_>) -> Option<Planted> {
    let rig = site.facts.rig();
    let hung: Vec<JointId> = site
        .joints()
        .into_iter()
        .filter(|joint| matches!(rig.joints[joint.index()].parent, Parent::Joint(_)))
        .collect();
    let joint = site.draw(&hung)?;
    let Parent::Joint(parent) = rig.joints[joint.index()].parent else { return None };
    let mut letters: Vec<char> = site.name(parent).chars().collect();
    let at = site.random.below(letters.len());
    match site.random.below(3) {
        0 if at + 1 < letters.len() => letters.swap(at, at + 1),
        1 => letters.insert(at, letters[at]),
        _ => {
            letters.remove(at);
        }
    }
    let asked: String = letters.into_iter().collect();
    let taken = rig.joints.iter().any(|joint| joint.name.as_deref() == Some(asked.as_str()));
    if asked.is_empty() || taken || nearest(&asked, [site.name(parent)]).is_none() {
        return None;
    }
    let what = format!("{} hangs from {asked}", site.name(joint));
    let fault = Mutation::Parent { joint: site.name(joint).to_owned(), parent: Some(asked) };
    Some(Planted { document: site.mutate(&fault)?, subjects: vec![site.pointer(joint)], what })
}
