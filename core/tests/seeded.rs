//! A fixed part of the seeded-fault bench (`cargo xtask seeded` is the whole): a few placements of every planter on the
//! demo characters.
#![expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use condyle_core::check::{Bound, CHECKS};
use condyle_core::demo::{NAMES, character};
use condyle_core::testing::plant::{Document, Ground, Outcome, humanoids, measure, planters};

/// Placements of each planter.
const PLACEMENTS: u64 = 2;
/// Families of which every check can be planted.
const WHOLE: [&str; 5] = ["budget", "naming", "orientation", "placement", "structure"];
/// Checks of other families that were there before the bench, each of which can be planted.
const FIRST: [&str; 6] = [
    "bind/edited-after",
    "bind/posed-rest",
    "skin/bad-joint",
    "skin/carried-joint-weighted",
    "skin/sum",
    "skin/unweighted",
];

#[test]
fn every_planter_is_for_a_check_and_no_check_of_the_whole_families_lacks_one() {
    let planted: Vec<&str> = planters().iter().map(|planter| planter.check).collect();
    for check in &planted {
        assert!(CHECKS.iter().any(|one| one.id == *check), "{check} is no check");
    }
    let whole = CHECKS.iter().filter(|check| WHOLE.contains(&check.family())).map(|check| check.id);
    for check in whole.chain(FIRST) {
        assert!(planted.contains(&check), "{check} has no planter");
    }
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
        let it = character(name, 600).unwrap();
        let (plan, scene) = (Document::Plan(it.plan), Document::Scene(it.scene));
        let body = Some(scene.bytes());
        let bodied = Ground::with_body(format!("{name} (plan and body)"), plan.clone(), body, false);
        grounds.push(bodied.unwrap());
        grounds.push(Ground::new(format!("{name} (plan)"), plan, false).unwrap());
        grounds.push(Ground::new(format!("{name} (model)"), scene, false).unwrap());
    }
    grounds.extend(humanoids().unwrap());
    let mut misses = Vec::new();
    for planter in planters() {
        let mut outcome = Outcome::default();
        for number in 0..PLACEMENTS {
            outcome.merge(measure(&planter, &grounds, number, None));
        }
        assert!(outcome.places > 0, "{}: no legal place", planter.check);
        let at = |miss: &condyle_core::testing::plant::Miss| {
            format!("{} · {} · {} · {}: {}", planter.check, miss.ground, miss.place, miss.what, miss.how)
        };
        // What is found less often by its own declaration is measured by the whole bench.
        if CHECKS.iter().any(|check| check.id == planter.check && check.plantable.aim().1.is_some()) {
            continue;
        }
        let held =
            [outcome.named, outcome.silent, outcome.safe].iter().all(|amount| amount.held == amount.of);
        if !held {
            misses.extend(outcome.misses.iter().map(at));
        }
    }
    assert!(misses.is_empty(), "{misses:#?}");
}
