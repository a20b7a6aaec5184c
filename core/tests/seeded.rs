//! A fixed part of the seeded-fault bench (`cargo xtask seeded` is the whole): a few placements of every planter on the
//! demo characters.
#![expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use std::collections::BTreeSet;

use condyle_core::check::{Bound, CHECKS};
use condyle_core::demo::{NAMES, character};
use condyle_core::finding::Fix;
use condyle_core::intake::{Bundle, Limits, Upload};
use condyle_core::repair::apply_fixes;
use condyle_core::testing::plant::{Document, Ground, Outcome, humanoids, measure, planters};

/// Placements of each planter.
const PLACEMENTS: u64 = 2;
/// Legal places for these are rare in the demo characters at this resolution: the whole bench plants them.
const RARE: [&str; 5] =
    ["forecast/coarse-mesh", "skin/mirror-weights", "skin/precision", "sweep/inversion", "sweep/left-behind"];

#[test]
fn every_check_has_a_planter_and_every_planter_a_check() {
    let planted: BTreeSet<&str> = planters().iter().map(|planter| planter.check).collect();
    let checks: BTreeSet<&str> = CHECKS.iter().map(|check| check.id).collect();
    let lacking: Vec<&&str> = checks.difference(&planted).collect();
    assert!(lacking.is_empty(), "{lacking:?} have no planter");
    let strange: Vec<&&str> = planted.difference(&checks).collect();
    assert!(strange.is_empty(), "{strange:?} are no checks");
}

#[test]
fn a_planter_stays_within_what_its_check_declares() {
    for planter in planters() {
        let check = CHECKS.iter().find(|check| check.id == planter.check).unwrap();
        if let (Some(far), Some(most)) = (planter.far, check.plantable.most()) {
            // From below, the far end is the least there can be.
            let bands =
                || check.bands.iter().filter(|band| planter.band.is_none_or(|name| band.name == name));
            let down = bands().all(|band| band.bound == Bound::Below);
            let several = check.bands.iter().any(|band| band.bound == Bound::Above);
            let within = if down && !several { far >= most } else { far <= most };
            assert!(within, "{}: {far} is beyond {most}", check.id);
        }
    }
}

#[test]
fn faults_in_the_demo_characters_are_found_named_and_mended() {
    let mut grounds = Vec::new();
    for name in NAMES {
        let it = character(name, 1_500).unwrap();
        let dressed = Document::Dressed(it.plan.clone(), it.scene.clone());
        let (plan, scene) = (Document::Plan(it.plan), Document::Scene(it.scene));
        let body = scene.files().model;
        let bodied = Ground::with_body(format!("{name} (plan for a body)"), plan.clone(), body, false);
        grounds.push(bodied.unwrap());
        grounds.push(Ground::new(format!("{name} (plan)"), plan, false).unwrap());
        grounds.push(Ground::new(format!("{name} (model)"), scene, false).unwrap());
        grounds.push(Ground::new(format!("{name} (plan and body)"), dressed, false).unwrap());
    }
    grounds.extend(humanoids().unwrap());
    let mut misses = Vec::new();
    for planter in planters().into_iter().filter(|planter| !RARE.contains(&planter.check)) {
        let mut outcome = Outcome::default();
        for number in 0..PLACEMENTS {
            outcome.merge(measure(&planter, &grounds, number, Some(mended)));
        }
        if outcome.places == 0 {
            misses.push(format!("{}: no legal place", planter.check));
        }
        let at = |miss: &condyle_core::testing::plant::Miss| {
            format!("{} · {} · {} · {}: {}", planter.check, miss.ground, miss.place, miss.what, miss.how)
        };
        // A check that says why it finds less is held to that by the whole bench.
        let check = CHECKS.iter().find(|check| check.id == planter.check).unwrap();
        let aimed = check.plantable.aim().1.is_some();
        let held = aimed
            || [outcome.named, outcome.silent, outcome.safe].iter().all(|amount| amount.held == amount.of);
        if !held {
            misses.extend(outcome.misses.iter().map(at));
        }
    }
    assert!(misses.is_empty(), "{misses:#?}");
}

/// A GLB with one fix applied.
fn mended(glb: &[u8], fix: &Fix) -> Option<Vec<u8>> {
    let bundle = Bundle { model: Some(Upload { name: "planted.glb", bytes: glb }), ..Bundle::default() };
    apply_fixes(&bundle, &Limits::default(), std::slice::from_ref(fix)).ok()?.0
}
