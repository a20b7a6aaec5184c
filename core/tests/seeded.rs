//! A fixed part of the seeded-fault bench (`cargo xtask seeded` is the whole): a few placements of every planter on the
//! demo characters.
#![expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use condyle_core::check::CHECKS;
use condyle_core::demo::{NAMES, character};
use condyle_core::finding::Fix;
use condyle_core::intake::{Bundle, Limits, Upload};
use condyle_core::repair::apply_fixes;
use condyle_core::testing::plant::{Document, Ground, Outcome, measure, planters};

/// Placements of each planter of the first checks, and of the others.
const PLACEMENTS: [u64; 2] = [4, 2];
/// At this resolution the characters' limbs have too few rings to draw together: the whole bench plants it.
const TOO_COARSE: &str = "forecast/coarse-mesh";
/// Checks that were there before the bench, each of which can be planted.
const FIRST: [&str; 17] = [
    "bind/edited-after",
    "bind/posed-rest",
    "naming/copy-leftover",
    "naming/side-mismatch",
    "orientation/mirror-twist",
    "orientation/not-rigid",
    "orientation/twist-drift",
    "placement/mirror-drift",
    "placement/zero-length",
    "skin/bad-joint",
    "skin/carried-joint-weighted",
    "skin/sum",
    "skin/unweighted",
    "structure/cycle",
    "structure/duplicate-name",
    "structure/root",
    "structure/unknown-parent",
];

#[test]
fn every_planter_is_for_a_check_and_the_first_checks_have_one() {
    let planted: Vec<&str> = planters().iter().map(|planter| planter.check).collect();
    for check in &planted {
        assert!(CHECKS.iter().any(|one| one.id == *check), "{check} is no check");
    }
    for check in FIRST {
        assert!(planted.contains(&check), "{check} has no planter");
    }
}

#[test]
fn a_planter_stays_within_what_its_check_declares() {
    for planter in planters() {
        let check = CHECKS.iter().find(|check| check.id == planter.check).unwrap();
        if let (Some(far), Some(most)) = (planter.far, check.plantable.most()) {
            assert!(far <= most, "{}: {far} is beyond {most}", check.id);
        }
    }
}

#[test]
fn faults_in_the_demo_characters_are_found_named_and_mended() {
    let mut grounds = Vec::new();
    for name in NAMES {
        let it = character(name, 600).unwrap();
        let dressed = Document::Dressed(it.plan.clone(), it.scene.clone());
        grounds.push(Ground::new(format!("{name} (plan)"), Document::Plan(it.plan), false).unwrap());
        grounds.push(Ground::new(format!("{name} (model)"), Document::Scene(it.scene), false).unwrap());
        grounds.push(Ground::new(format!("{name} (plan and body)"), dressed, false).unwrap());
    }
    let mut misses = Vec::new();
    for planter in planters().into_iter().filter(|planter| planter.check != TOO_COARSE) {
        let mut outcome = Outcome::default();
        let first = FIRST.contains(&planter.check);
        for number in 0..PLACEMENTS[usize::from(!first)] {
            outcome.merge(measure(&planter, &grounds, number, Some(mended)));
        }
        assert!(outcome.places > 0, "{}: no legal place", planter.check);
        let at = |miss: &condyle_core::testing::plant::Miss| {
            format!("{} · {} · {} · {}: {}", planter.check, miss.ground, miss.place, miss.what, miss.how)
        };
        // A check that says why it finds less is held to that by the whole bench.
        let check = CHECKS.iter().find(|check| check.id == planter.check).unwrap();
        let least = check.plantable.aim().1.is_some();
        let held = least
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
