//! Faults of names.

mod sides;
mod standard;
mod text;

use super::{Planted, Planter, Site};
use crate::model::{JointId, Side};
use crate::testing::Mutation;

pub(super) const ALL: &[&[Planter]] = &[PLANTERS, sides::PLANTERS, standard::PLANTERS, text::PLANTERS];

const PLANTERS: &[Planter] = &[
    Planter {
        check: "naming/copy-leftover",
        band: None,
        plan: true,
        gltf: true,
        far: None,
        plant: copy_leftover,
    },
    Planter {
        check: "naming/side-mismatch",
        band: None,
        plan: true,
        gltf: true,
        far: None,
        plant: side_mismatch,
    },
];

/// A joint keeps what an editor appends to a copy's name.
fn copy_leftover(site: &mut Site<'_>) -> Option<Planted> {
    // Where an exporter has numbered every name, a counter says nothing (D21).
    if site.facts.names().exporter_numbers {
        return None;
    }
    let joints = site.joints();
    let joint = site.draw(&joints)?;
    let old = site.name(joint).to_owned();
    let number = 1 + site.random.below(9);
    let name = match site.random.below(4) {
        0 => format!("{old}.{number:03}"),
        1 => format!("{old} ({number})"),
        2 => format!("{old}_copy"),
        _ => format!("Copy of {old}"),
    };
    if site.facts.rig().nodes.iter().any(|node| node.name.as_deref() == Some(name.as_str())) {
        return None;
    }
    let what = format!("{old} is called {name}");
    let document = site.mutate(&Mutation::Rename { joint: old, name })?;
    Some(Planted { document, subjects: vec![site.pointer(joint)], what })
}

/// Two twins exchange their names.
fn side_mismatch(site: &mut Site<'_>) -> Option<Planted> {
    let (facts, names) = (site.facts, site.facts.names());
    let plane = facts.mirror()?;
    let sided: Vec<(JointId, JointId)> = facts
        .twins()
        .pairs
        .iter()
        .copied()
        .filter(|(left, right)| {
            names.side(*left) == Some(Side::Left)
                && names.side(*right) == Some(Side::Right)
                && plane.distance(facts.origin(*left)).abs() > 0.01 * facts.s()
        })
        .collect();
    // One of few pairs is most of them: then it is the rig that is named for the viewer's side.
    if sided.len() < 3 {
        return None;
    }
    let (left, right) = site.draw(&sided)?;
    if !(site.unique(left) && site.unique(right)) {
        return None;
    }
    let fault = Mutation::SwapNames { one: site.name(left).to_owned(), other: site.name(right).to_owned() };
    Some(Planted {
        document: site.mutate(&fault)?,
        subjects: vec![site.pointer(left), site.pointer(right)],
        what: format!("{} and {} exchange names", site.name(left), site.name(right)),
    })
}
