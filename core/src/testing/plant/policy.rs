//! Waivers that do not hold.

use serde_json::{Value, json};

use super::{Document, Planted, Planter, Site};
use crate::check::CHECKS;

pub(super) const PLANTERS: &[Planter] = &[
    Planter {
        check: "policy/expired-waiver",
        band: None,
        plan: true,
        gltf: false,
        far: None,
        plant: expired_waiver,
    },
    Planter {
        check: "policy/unmatched-waiver",
        band: None,
        plan: true,
        gltf: false,
        far: None,
        plant: unmatched_waiver,
    },
];

/// Adds a waiver to a plan, at a random place of its list.
fn add(site: &mut Site<'_>, waiver: Value) -> Option<(Document, String)> {
    let mut plan = site.spoilt_plan()?;
    let list = plan.as_object_mut()?.entry("waivers").or_insert_with(|| json!([])).as_array_mut()?;
    let at = site.random.below(list.len() + 1);
    list.insert(at, waiver);
    Some((Document::Plan(plan), format!("/waivers/{at}")))
}

fn expired_waiver(site: &mut Site<'_>) -> Option<Planted> {
    let check = CHECKS[site.random.below(CHECKS.len())].id;
    // Judged on 2026-11-25: from one day to some years late.
    let year = 2020 + site.random.below(6);
    let until = format!("{year}-{:02}-{:02}", 1 + site.random.below(12), 1 + site.random.below(28));
    let waiver = json!({"check": check, "subject": "*", "reason": "agreed", "until": until});
    let (document, pointer) = add(site, waiver)?;
    Some(Planted { document, subjects: vec![pointer], what: format!("a waiver of {check} until {until}") })
}

fn unmatched_waiver(site: &mut Site<'_>) -> Option<Planted> {
    let joints = site.joints();
    let joint = site.draw(&joints)?;
    // Checks that run on every plan with joints.
    let check = site.draw(&["structure/cycle", "structure/unknown-parent", "placement/zero-length"])?;
    let name = site.name(joint).to_owned();
    let (document, pointer) = add(site, json!({"check": check, "subject": name, "reason": "agreed"}))?;
    Some(Planted { document, subjects: vec![pointer], what: format!("a waiver of {check} on {name}") })
}
