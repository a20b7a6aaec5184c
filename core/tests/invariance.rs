//! What a report must not depend on: the order of the joints, where and how large the character stands, how the
//! document writes its axes and units, the run, and the number of threads.
//!
//! The corpus is every example of every page and the demo characters, sound and with planted faults, under every check.
#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test may fail loudly")]

#[path = "invariance/moves.rs"]
mod moves;
#[path = "invariance/orders.rs"]
mod orders;

use std::collections::BTreeSet;

use condyle_core::check::{CHECKS, Profile, Request, Unobserved, run};
use condyle_core::demo::{NAMES, character, faulty};
use condyle_core::export::{Scene, Storage, write_glb};
use condyle_core::intake::{Bundle, Limits, Upload, read};
use condyle_core::report::{Finding, NotRunStatus, Report};
use condyle_core::testing::{build, build_body, build_reference, profile};
use glam::{DQuat, DVec3};
use proptest::prelude::*;
use proptest::test_runner::{Config, RngAlgorithm, TestCaseError, TestRng, TestRunner};
use serde_json::{Value, json};

use moves::{Motion, moved};
use orders::{joint_lines, plan_in_order, reordered, scene_in_order};

/// Variants tried per example: the corpus is wide, so each example needs few.
const CASES: u32 = 4;

#[test]
fn the_order_of_joints_changes_nothing() {
    for example in pages() {
        // Vertices are numbered in the order of joints: a fault planted by their numbers is another one.
        let numbered = ["row", "blend", "position", "box"].map(|kind| format!("\nmutate {kind} "));
        if numbered.iter().any(|words| example.text.contains(words.as_str())) {
            continue;
        }
        let Some(lines) = joint_lines(&example.text) else { continue };
        let before = report(&example.bytes);
        property(&example.name, Just(lines.clone()).prop_shuffle(), |order| {
            let text = reordered(&example.text, &lines, &order);
            let after = report(&build(&text).unwrap());
            prop_assert_eq!(facts(&after), facts(&before), "{}", text);
            measures_agree(&before, &after, Lengths::Same)
        });
    }
}

#[test]
fn the_order_of_a_character_changes_nothing() {
    let orders = |count: usize| Just((0..count).collect::<Vec<_>>()).prop_shuffle();
    for (name, plan, scene) in characters() {
        let joints = plan["joints"].as_array().unwrap();
        let names: BTreeSet<&str> = joints.iter().filter_map(|joint| joint["name"].as_str()).collect();
        // A plan refers by name: with two joints of one name, their order decides which is meant.
        if names.len() == joints.len() {
            let before = report(plan.to_string().as_bytes());
            property(&format!("{name}, plan"), orders(joints.len()), |order| {
                let after = report(plan_in_order(&plan, &order).to_string().as_bytes());
                prop_assert_eq!(facts(&after), facts(&before));
                measures_agree(&before, &after, Lengths::Same)
            });
        }
        let before = report(&write_glb(&scene, &Storage::default()));
        property(&format!("{name}, model"), orders(scene.nodes.len()), |order| {
            let after = report(&write_glb(&scene_in_order(&scene, &order), &Storage::default()));
            prop_assert_eq!(facts(&after), facts(&before));
            measures_agree(&before, &after, Lengths::Same)
        });
    }
}

/// A report without the findings of a check that is about what is changed: a turn changes the box along the axes too.
fn without(mut report: Report, check: &str) -> Report {
    report.findings.retain(|finding| finding.check != check);
    report
}

#[test]
fn a_rigid_motion_changes_nothing() {
    // Beyond a quarter turn the character faces backwards, and its left is another side.
    let motion = (-60.0..60.0_f64, prop::array::uniform3(-20.0..20.0_f64));
    for example in corpus() {
        let bytes = &example.bytes;
        let judged = |bytes: &[u8]| without(without(report(bytes), "placement/facing"), "placement/scale");
        let before = judged(bytes);
        property(&example.name, motion.clone(), |(degrees, [x, y, z])| {
            let motion = Motion {
                turn: DQuat::from_rotation_y(degrees.to_radians()),
                offset: DVec3::new(x, y, z),
                scale: 1.0,
            };
            let after = judged(&moved(bytes, &motion));
            prop_assert_eq!(facts(&after), facts(&before));
            measures_agree(&before, &after, Lengths::ButSize)
        });
    }
}

#[test]
fn a_uniform_scale_changes_lengths_alone() {
    for example in corpus() {
        let bytes = &example.bytes;
        let before = without(report(bytes), "placement/scale");
        property(&example.name, -2.0..2.0_f64, |power| {
            let scale = 10_f64.powf(power);
            let motion = Motion { turn: DQuat::IDENTITY, offset: DVec3::ZERO, scale };
            let after = without(report(&moved(bytes, &motion)), "placement/scale");
            prop_assert_eq!(facts(&after), facts(&before));
            measures_agree(&before, &after, Lengths::Times(scale))
        });
    }
}

/// Most shipped files are written a hundred times as large, under a node that makes them small again.
#[test]
fn a_scale_above_the_skeleton_is_nothing() {
    // A stage takes every root along, so that no root is out of the scene.
    // Faults told in metres of the mesh's own space are smaller faults in a larger space.
    let in_metres =
        ["off-scene", "rebind", "position", "box", "place-mesh"].map(|kind| format!("\nmutate {kind} "));
    let takes =
        |text: &str| text.starts_with("gltf") && !in_metres.iter().any(|words| text.contains(words.as_str()));
    for example in pages().into_iter().filter(|example| takes(&example.text)) {
        // The stage that scales is a common root, which is what this check asks for.
        let mut before = report(&build(&format!("{}\nstage", example.text)).unwrap());
        let mut after = report(&build(&format!("{}\nbind scale 100", example.text)).unwrap());
        for report in [&mut before, &mut after] {
            report.findings.retain(|finding| finding.check != "structure/root");
        }
        assert_eq!(facts(&after), facts(&before), "{}", example.name);
        measures_agree(&before, &after, Lengths::Same).unwrap_or_else(|e| panic!("{}: {e}", example.name));
    }
}

#[test]
fn axes_and_units_of_a_plan_change_nothing() {
    // Up, forward, and the turn that takes rig axes (left, up, forward) there.
    let frames = [
        ("+y", "+z", DQuat::IDENTITY),
        ("+z", "-y", DQuat::from_rotation_x(90_f64.to_radians())),
        ("+y", "+x", DQuat::from_rotation_y(90_f64.to_radians())),
    ];
    for example in corpus().into_iter().filter(|example| !example.bytes.starts_with(b"glTF")) {
        let bytes = &example.bytes;
        let before = report(bytes);
        for (up, forward, turn) in frames {
            for scale in [0.01, 1.0, 100.0] {
                let motion = Motion { turn, offset: DVec3::ZERO, scale };
                let mut plan: Value = serde_json::from_slice(&moved(bytes, &motion)).unwrap();
                plan["frame"] = json!({"up": up, "forward": forward});
                plan["units"] = json!({"metres": 1.0 / scale});
                let after = report(plan.to_string().as_bytes());
                let place = format!("{} in {up} up, {forward} forward, × {scale}", example.name);
                assert_eq!(facts(&after), facts(&before), "{place}");
                measures_agree(&before, &after, Lengths::Same)
                    .unwrap_or_else(|error| panic!("{place}: {error}"));
            }
        }
    }
}

#[test]
fn the_same_bytes_give_the_same_report() {
    for example in corpus() {
        let bytes = &example.bytes;
        let first = serde_json::to_string(&report(bytes)).unwrap();
        assert_eq!(first, serde_json::to_string(&report(bytes)).unwrap(), "{}", example.name);
        for threads in [1, 2, 7] {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
            let again = pool.install(|| serde_json::to_string(&report(bytes)).unwrap());
            assert_eq!(first, again, "{} with {threads} threads", example.name);
        }
    }
}

/// The sweep runs where it is asked for: the same of its own examples and the characters.
#[test]
fn what_the_sweep_finds_depends_on_none_of_these() {
    let motion = (-60.0..60.0_f64, prop::array::uniform3(-20.0..20.0_f64));
    for example in pages().into_iter().filter(|example| example.name.starts_with("sweep/")) {
        let bytes = &example.bytes;
        let before = swept(bytes);
        property(&example.name, motion.clone(), |(degrees, [x, y, z])| {
            let turn = DQuat::from_rotation_y(degrees.to_radians());
            let after = swept(&moved(bytes, &Motion { turn, offset: DVec3::new(x, y, z), scale: 1.0 }));
            prop_assert_eq!(facts(&after), facts(&before));
            measures_agree(&before, &after, Lengths::ButSize)
        });
        property(&example.name, -2.0..2.0_f64, |power| {
            let scale = 10_f64.powf(power);
            let motion = Motion { turn: DQuat::IDENTITY, offset: DVec3::ZERO, scale };
            let after = swept(&moved(bytes, &motion));
            prop_assert_eq!(facts(&after), facts(&before));
            measures_agree(&before, &after, Lengths::Times(scale))
        });
    }
    for (name, _, scene) in characters() {
        let bytes = write_glb(&scene, &Storage::default());
        let before = swept(&bytes);
        let backwards: Vec<usize> = (0..scene.nodes.len()).rev().collect();
        let after = swept(&write_glb(&scene_in_order(&scene, &backwards), &Storage::default()));
        assert_eq!(facts(&after), facts(&before), "{name}");
        let first = serde_json::to_string(&before).unwrap();
        for threads in [1, 4] {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
            let again = pool.install(|| serde_json::to_string(&swept(&bytes)).unwrap());
            assert_eq!(first, again, "{name} with {threads} threads");
        }
    }
}

/// Nothing in the corpus is a bug of ours, and every check had its say somewhere.
#[test]
fn every_check_runs_to_its_end() {
    let mut fired = BTreeSet::new();
    for example in corpus() {
        let report = if example.text.is_empty() { report(&example.bytes) } else { as_on_its_page(&example) };
        let failed: Vec<_> = report.not_run.iter().filter(|n| n.status == NotRunStatus::Failed).collect();
        assert!(failed.is_empty(), "{}: {failed:?}", example.name);
        fired.extend(report.findings.into_iter().map(|finding| finding.check));
    }
    for example in pages().into_iter().filter(|example| example.name.starts_with("sweep/")) {
        fired.extend(swept(&example.bytes).findings.into_iter().map(|finding| finding.check));
    }
    let silent: Vec<&str> = CHECKS.iter().map(|check| check.id).filter(|id| !fired.contains(*id)).collect();
    assert!(silent.is_empty(), "nothing in the corpus makes these speak: {silent:?}");
}

struct Example {
    name: String,
    /// The notation it was built from; empty for a character.
    text: String,
    bytes: Vec<u8>,
}

/// The fenced examples of all pages, by page and line.
fn pages() -> Vec<Example> {
    let mut list = Vec::new();
    for check in CHECKS {
        let mut lines = check.page.lines().enumerate();
        while let Some((index, line)) = lines.next() {
            if line == "```rig" {
                let text: Vec<&str> =
                    lines.by_ref().map(|(_, line)| line).take_while(|line| *line != "```").collect();
                let (name, text) = (format!("{}, page line {}", check.id, index + 1), text.join("\n"));
                let bytes = build(&text).unwrap_or_else(|error| panic!("{name}: {error}"));
                list.push(Example { name, text, bytes });
            }
        }
    }
    assert!(list.len() >= 4 * CHECKS.len(), "two that fire and two that are clean for each check");
    list
}

/// The demo characters, sound and with planted faults: name, plan, model.
fn characters() -> Vec<(String, Value, Scene)> {
    let mut list = Vec::new();
    for name in NAMES {
        let sound = character(name, 600).unwrap();
        let (spoilt, _) = faulty(name, 600).unwrap();
        list.push((name.to_owned(), sound.plan, sound.scene));
        list.push((format!("{name} with faults"), spoilt.plan, spoilt.scene));
    }
    list
}

/// All of it, as documents.
fn corpus() -> Vec<Example> {
    let mut list = pages();
    for (name, plan, scene) in characters() {
        let documents =
            [("plan", plan.to_string().into_bytes()), ("model", write_glb(&scene, &Storage::default()))];
        for (form, bytes) in documents {
            list.push(Example { name: format!("{name}, {form}"), text: String::new(), bytes });
        }
    }
    list
}

/// A property with the same cases on every run.
fn property<S: Strategy>(name: &str, strategy: S, test: impl Fn(S::Value) -> Result<(), TestCaseError>) {
    let config = Config { cases: CASES, failure_persistence: None, ..Config::default() };
    let mut runner = TestRunner::new_with_rng(config, TestRng::deterministic_rng(RngAlgorithm::ChaCha));
    if let Err(error) = runner.run(&strategy, test) {
        panic!("{name}: {error}");
    }
}

/// A page's example with its body, under its profile.
fn as_on_its_page(example: &Example) -> Report {
    let body = build_body(&example.text).unwrap();
    let plan = Some(Upload { name: "example", bytes: &example.bytes });
    let bundle = match &body {
        Some(body) => Bundle { plan, model: Some(Upload { name: "body", bytes: body }), ..Bundle::default() },
        None => Bundle { model: plan, ..Bundle::default() },
    };
    let intake = read(&bundle, &Limits::default()).unwrap();
    let named = profile(&example.text).unwrap();
    // A page may bring the profile of its examples.
    let page = CHECKS.iter().find(|check| example.name.starts_with(&format!("{},", check.id))).unwrap().page;
    let brought = page.split("```profile\n").nth(1).and_then(|rest| rest.split("```").next());
    let profile = match (named, brought) {
        (Some(name), _) => Profile::builtin(&name).unwrap(),
        (None, Some(text)) => Profile::read(text).unwrap(),
        (None, None) => Profile::realtime(),
    };
    let reference = build_reference(&example.text).unwrap();
    let reference = reference.map(|bytes| {
        let upload = Upload { name: "reference", bytes: &bytes };
        read(&Bundle { model: Some(upload), ..Bundle::default() }, &Limits::default()).unwrap()
    });
    let mut request = Request::all(&profile, "2026-01-01".parse().unwrap());
    request.reference = reference.as_ref().map(|reference| &reference.rig);
    run(&intake, &request, &Unobserved).unwrap()
}

fn report(bytes: &[u8]) -> Report {
    let upload = Upload { name: "example", bytes };
    let intake = read(&Bundle { model: Some(upload), ..Bundle::default() }, &Limits::default()).unwrap();
    let profile = Profile::realtime();
    run(&intake, &Request::all(&profile, "2026-01-01".parse().unwrap()), &Unobserved).unwrap()
}

/// The family of the sweep alone.
fn swept(bytes: &[u8]) -> Report {
    let upload = Upload { name: "example", bytes };
    let intake = read(&Bundle { model: Some(upload), ..Bundle::default() }, &Limits::default()).unwrap();
    let profile = Profile::realtime();
    let mut request = Request::all(&profile, "2026-01-01".parse().unwrap());
    request.only = vec!["sweep".into()];
    run(&intake, &request, &Unobserved).unwrap()
}

/// The findings without what follows from their order in the document, and what did not run.
fn facts(report: &Report) -> BTreeSet<String> {
    let findings = report.findings.iter().map(|finding| {
        let Finding { check, severity, subject, fingerprint, .. } = finding;
        format!("{check} {} {} {} {fingerprint}", severity.word(), subject.kind, subject.name)
    });
    let idle = report.not_run.iter().map(|n| format!("{} did not run: {}", n.check, n.reason));
    findings.chain(idle).collect()
}

/// What becomes of lengths in millimetres and metres.
#[derive(Clone, Copy)]
enum Lengths {
    Same,
    Times(f64),
    /// S is the longest side of an upright box: it changes as the character turns.
    ButSize,
}

fn measures_agree(before: &Report, after: &Report, lengths: Lengths) -> Result<(), TestCaseError> {
    for finding in &before.findings {
        let Some(other) = after.findings.iter().find(|other| other.fingerprint == finding.fingerprint) else {
            return Err(TestCaseError::fail(format!("{} is gone", finding.message)));
        };
        prop_assert_eq!(finding.evidence.len(), other.evidence.len(), "{}", finding.message);
        for (old, new) in finding.evidence.iter().zip(&other.evidence) {
            let unit = serde_json::to_string(&old.unit).unwrap();
            let factor = match lengths {
                Lengths::Times(factor) if unit.contains('m') => factor,
                Lengths::ButSize if unit.contains('S') => continue,
                _ => 1.0,
            };
            // A bound that follows S, where the search was stopped.
            if matches!(lengths, Lengths::ButSize) && old.quantity.ends_with("at least") {
                continue;
            }
            let (Some(a), Some(b)) = (old.measured, new.measured) else {
                prop_assert_eq!(old.measured, new.measured);
                continue;
            };
            // Matrices and positions of a GLB have 24 bits.
            let close = (a * factor - b).abs() <= 1e-4 * (a * factor).abs() + 1e-5 * factor.max(1.0);
            prop_assert!(close, "{} was {a} {unit} and is {b}: {}", old.quantity, other.message);
        }
    }
    Ok(())
}
