//! Faults of where joints stand.

mod body;
mod limbs;
mod marks;
mod whole;

use serde_json::json;

use super::{Document, Planted, Planter, Site};
use crate::facts::TipKind;
use crate::model::JointId;
use crate::testing::Mutation;

pub(super) const ALL: &[&[Planter]] =
    &[PLANTERS, body::PLANTERS, limbs::PLANTERS, marks::PLANTERS, whole::PLANTERS];

const PLANTERS: &[Planter] = &[
    Planter {
        check: "placement/mirror-drift",
        band: None,
        plan: true,
        gltf: true,
        // At two hundredths itself rounding decides whether a joint is still a twin (D9).
        far: Some(0.0195),
        plant: mirror_drift,
    },
    Planter {
        check: "placement/zero-length",
        band: None,
        plan: true,
        gltf: true,
        far: Some(0.0),
        plant: zero_length,
    },
];

/// Of two twins, one is moved.
fn mirror_drift(site: &mut Site<'_>) -> Option<Planted> {
    let facts = site.facts;
    let plane = facts.mirror()?;
    let rig = facts.rig();
    let asymmetric = |joint: JointId| {
        rig.joints[joint.index()].part.is_some_and(|part| rig.parts[part.index()].asymmetric)
    };
    let pairs: Vec<(JointId, JointId)> = facts
        .twins()
        .pairs
        .iter()
        .copied()
        .filter(|(left, right)| !asymmetric(*left) && !asymmetric(*right))
        // Where the faults of controls are notes, only what moves skin breaks this band.
        .filter(|(left, right)| facts.deforms(*left) && facts.deforms(*right))
        .filter(|(left, right)| site.at_bind(*left) && site.at_bind(*right))
        .filter(|(left, right)| {
            let off = plane.mirror(facts.origin(*left)).distance(facts.origin(*right));
            off < 0.1 * site.limit * facts.s()
        })
        .collect();
    let (left, right) = site.draw(&pairs)?;
    let joint = if site.random.sign() > 0.0 { left } else { right };
    if !site.unique(joint) {
        return None;
    }
    let by = site.random.direction() * site.amount * facts.s();
    let fault = Mutation::Move { joint: site.name(joint).to_owned(), by: site.own_move(by) };
    Some(Planted {
        document: site.mutate(&fault)?,
        subjects: vec![site.pointer(left), site.pointer(right)],
        what: format!("{} is moved by {:.4} of S", site.name(joint), site.amount),
    })
}

/// A segment shrinks to next to nothing.
fn zero_length(site: &mut Site<'_>) -> Option<Planted> {
    let (facts, rig) = (site.facts, site.facts.rig());
    let metres = site.amount * facts.s();
    let along = site.random.direction() * metres;
    if let Some(mut plan) = site.spoilt_plan() {
        let tipped: Vec<JointId> = site
            .joints()
            .into_iter()
            .filter(|joint| facts.tips()[joint.index()].kind == TipKind::Declared)
            .collect();
        let joint = site.draw(&tipped)?;
        let tip = rig.frame.point_to_plan(facts.origin(joint) + along);
        plan["joints"][joint.index()]["tip"] = json!(tip.to_array());
        let what = format!("{} is {:.5} of S long", site.name(joint), site.amount);
        return Some(Planted { document: Document::Plan(plan), subjects: vec![site.pointer(joint)], what });
    }
    // In a glTF a lone link between two joints that move skin, below the root.
    let tree = facts.tree();
    let links: Vec<(JointId, JointId)> = (0..rig.joints.len())
        .map(JointId::new)
        .filter(|joint| tree.parent[joint.index()].is_some() && facts.deforms(*joint))
        .filter_map(|joint| match tree.children[joint.index()].as_slice() {
            [child] if facts.deforms(*child) => Some((joint, *child)),
            _ => None,
        })
        .filter(|(joint, child)| facts.origin(*joint).distance(facts.origin(*child)) > 0.01 * facts.s())
        .filter(|(joint, child)| site.at_bind(*joint) && site.at_bind(*child))
        .collect();
    let (joint, child) = site.draw(&links)?;
    if !site.unique(child) {
        return None;
    }
    let by = facts.origin(joint) + along - facts.origin(child);
    let fault = Mutation::Move { joint: site.name(child).to_owned(), by };
    Some(Planted {
        document: site.mutate(&fault)?,
        subjects: vec![site.pointer(joint)],
        what: format!("{} stands {:.5} of S from {}", site.name(child), site.amount, site.name(joint)),
    })
}
