//! What a report must not depend on: the order of the joints, where and how large the character stands, how the
//! document writes its axes and units, the run, and the number of threads.
//!
//! The corpus is every example of every page, under every check: clean ones, and one of each kind of fault.
#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test may fail loudly")]

use std::collections::BTreeSet;
use std::fmt::Write as _;

use condyle_core::check::{CHECKS, Profile, Request, Unobserved, run};
use condyle_core::intake::{Bundle, Limits, Upload, read};
use condyle_core::report::{Finding, NotRunStatus, Report};
use condyle_core::testing::build;
use glam::{DQuat, DVec3};
use proptest::prelude::*;
use proptest::test_runner::{Config, RngAlgorithm, TestCaseError, TestRng, TestRunner};
use serde_json::{Value, json};

/// Variants tried per example: the corpus is wide, so each example needs few.
const CASES: u32 = 6;

#[test]
fn the_order_of_joints_changes_nothing() {
    for example in corpus() {
        let Some(lines) = joint_lines(&example.text) else { continue };
        let before = report(&example.build());
        property(&example, Just(lines.clone()).prop_shuffle(), |order| {
            let text = reordered(&example.text, &lines, &order);
            let after = report(&build(&text).unwrap());
            prop_assert_eq!(facts(&after), facts(&before), "{}", text);
            measures_agree(&before, &after, Lengths::Same)
        });
    }
}

#[test]
fn a_rigid_motion_changes_nothing() {
    // Beyond a quarter turn the character faces backwards, and its left is another side.
    let motion = (-60.0..60.0_f64, prop::array::uniform3(-20.0..20.0_f64));
    for example in corpus() {
        let bytes = example.build();
        let before = report(&bytes);
        property(&example, motion.clone(), |(degrees, [x, y, z])| {
            let motion = Motion {
                turn: DQuat::from_rotation_y(degrees.to_radians()),
                offset: DVec3::new(x, y, z),
                scale: 1.0,
            };
            let after = report(&moved(&bytes, &motion));
            prop_assert_eq!(facts(&after), facts(&before));
            measures_agree(&before, &after, Lengths::ButSize)
        });
    }
}

#[test]
fn a_uniform_scale_changes_lengths_alone() {
    for example in corpus() {
        let bytes = example.build();
        let before = report(&bytes);
        property(&example, -2.0..2.0_f64, |power| {
            let scale = 10_f64.powf(power);
            let motion = Motion { turn: DQuat::IDENTITY, offset: DVec3::ZERO, scale };
            let after = report(&moved(&bytes, &motion));
            prop_assert_eq!(facts(&after), facts(&before));
            measures_agree(&before, &after, Lengths::Times(scale))
        });
    }
}

#[test]
fn axes_and_units_of_a_plan_change_nothing() {
    // Up, forward, and the turn that takes rig axes (left, up, forward) there.
    let frames = [("+y", "+z", DQuat::IDENTITY), ("+z", "-y", DQuat::from_rotation_x(90_f64.to_radians())), (
        "+y",
        "+x",
        DQuat::from_rotation_y(90_f64.to_radians()),
    )];
    for example in corpus().into_iter().filter(|example| example.text.starts_with("plan")) {
        let bytes = example.build();
        let before = report(&bytes);
        for (up, forward, turn) in frames {
            for scale in [0.01, 1.0, 100.0] {
                let motion = Motion { turn, offset: DVec3::ZERO, scale };
                let mut plan: Value = serde_json::from_slice(&moved(&bytes, &motion)).unwrap();
                plan["frame"] = json!({"up": up, "forward": forward});
                plan["units"] = json!({"metres": 1.0 / scale});
                let after = report(plan.to_string().as_bytes());
                let place = format!("{} in {up} up, {forward} forward, × {scale}", example.name);
                assert_eq!(facts(&after), facts(&before), "{place}");
                measures_agree(&before, &after, Lengths::Same).unwrap_or_else(|error| panic!("{place}: {error}"));
            }
        }
    }
}

#[test]
fn the_same_bytes_give_the_same_report() {
    for example in corpus() {
        let bytes = example.build();
        assert_eq!(bytes, example.build(), "{}", example.name);
        let first = serde_json::to_string(&report(&bytes)).unwrap();
        assert_eq!(first, serde_json::to_string(&report(&bytes)).unwrap(), "{}", example.name);
        for threads in [1, 2, 7] {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
            let again = pool.install(|| serde_json::to_string(&report(&bytes)).unwrap());
            assert_eq!(first, again, "{} with {threads} threads", example.name);
        }
    }
}

/// Nothing in the corpus is a bug of ours, and every check had its say somewhere.
#[test]
fn every_check_runs_to_its_end() {
    let mut fired = BTreeSet::new();
    for example in corpus() {
        let report = report(&example.build());
        let failed: Vec<_> = report.not_run.iter().filter(|n| n.status == NotRunStatus::Failed).collect();
        assert!(failed.is_empty(), "{}: {failed:?}", example.name);
        fired.extend(report.findings.into_iter().map(|finding| finding.check));
    }
    let ids: BTreeSet<String> = CHECKS.iter().map(|check| check.id.to_owned()).collect();
    assert_eq!(fired, ids);
}

struct Example {
    name: String,
    text: String,
}

impl Example {
    fn build(&self) -> Vec<u8> {
        build(&self.text).unwrap_or_else(|error| panic!("{}: {error}", self.name))
    }
}

/// The fenced examples of all pages, by page and line.
fn corpus() -> Vec<Example> {
    let mut list = Vec::new();
    for check in CHECKS {
        let mut lines = check.page.lines().enumerate();
        while let Some((index, line)) = lines.next() {
            if line == "```rig" {
                let text: Vec<&str> =
                    lines.by_ref().map(|(_, line)| line).take_while(|line| *line != "```").collect();
                list.push(Example {
                    name: format!("{}, page line {}", check.id, index + 1),
                    text: text.join("\n"),
                });
            }
        }
    }
    assert!(list.len() >= 4 * CHECKS.len(), "two that fire and two that are clean for each check");
    list
}

/// A property with the same cases on every run.
fn property<S: Strategy>(
    example: &Example,
    strategy: S,
    test: impl Fn(S::Value) -> Result<(), TestCaseError>,
) {
    let config = Config { cases: CASES, failure_persistence: None, ..Config::default() };
    let mut runner = TestRunner::new_with_rng(config, TestRng::deterministic_rng(RngAlgorithm::ChaCha));
    if let Err(error) = runner.run(&strategy, test) {
        panic!("{}: {error}", example.name);
    }
}

fn report(bytes: &[u8]) -> Report {
    let upload = Upload { name: "example", bytes };
    let intake = read(&Bundle { model: Some(upload), ..Bundle::default() }, &Limits::default()).unwrap();
    let profile = Profile::realtime();
    run(&intake, &Request::all(&profile, "2026-01-01".parse().unwrap()), &Unobserved).unwrap()
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

/// The joint lines of a text, each with its parent said; nothing where a fault counts vertices or a name is not unique.
fn joint_lines(text: &str) -> Option<Vec<String>> {
    let counted = ["unweight", "nan-weights", "scale-weights", "joint-index"];
    let by_number = text
        .lines()
        .filter_map(|line| line.strip_prefix("mutate "))
        .any(|fault| counted.contains(&fault.split_whitespace().next().unwrap_or_default()));
    let mut names = BTreeSet::new();
    let mut lines = Vec::new();
    let mut last: Option<&str> = None;
    for line in text.lines().filter(|line| line.starts_with("joint ")) {
        let name = line.split_whitespace().nth(1)?;
        if !names.insert(name) {
            return None;
        }
        let content = line.split('#').next().unwrap_or_default().trim_end();
        let said = content.split_whitespace().any(|word| word == "parent");
        let parent = last.unwrap_or("none");
        lines.push(if said { content.to_owned() } else { format!("{content} parent {parent}") });
        last = Some(name);
    }
    (!by_number && lines.len() > 1).then_some(lines)
}

/// The text with its joint lines in another order.
fn reordered(text: &str, lines: &[String], order: &[String]) -> String {
    let mut order = order.iter().take(lines.len());
    let mut out = String::new();
    for line in text.lines() {
        let line = if line.starts_with("joint ") { order.next().map_or(line, String::as_str) } else { line };
        let content = if line.starts_with("joint ") { line } else { line.split('#').next().unwrap_or_default() };
        writeln!(out, "{content}").unwrap();
    }
    out
}

struct Motion {
    turn: DQuat,
    offset: DVec3,
    scale: f64,
}

impl Motion {
    fn point(&self, value: &Value) -> Value {
        let read: [f64; 3] = serde_json::from_value(value.clone()).unwrap();
        json!((self.turn * DVec3::from_array(read) * self.scale + self.offset).to_array())
    }
}

/// The plan or GLB, moved as a whole: a plan's numbers, a glTF's nodes without parent.
fn moved(bytes: &[u8], motion: &Motion) -> Vec<u8> {
    if !bytes.starts_with(b"glTF") {
        let mut plan: Value = serde_json::from_slice(bytes).unwrap();
        for joint in plan["joints"].as_array_mut().unwrap() {
            for key in ["origin", "tip"] {
                if let Some(point) = joint.get_mut(key) {
                    *point = motion.point(point);
                }
            }
            if let Some(orientation) = joint.get_mut("orientation") {
                *orientation = turned(orientation, motion.turn);
            }
        }
        for piece in plan["pieces"].as_array_mut().into_iter().flatten() {
            if let Some(pivot) = piece.get_mut("pivot").filter(|pivot| !pivot.is_null()) {
                *pivot = motion.point(pivot);
            }
        }
        return plan.to_string().into_bytes();
    }
    let (mut document, binary) = unpack(bytes);
    let nodes = document["nodes"].as_array_mut().unwrap();
    let children: BTreeSet<u64> = nodes
        .iter()
        .flat_map(|node| node["children"].as_array().into_iter().flatten().filter_map(Value::as_u64))
        .collect();
    for (index, node) in nodes.iter_mut().enumerate() {
        if children.contains(&(index as u64)) {
            continue;
        }
        let translation = node.get("translation").cloned().unwrap_or(json!([0.0, 0.0, 0.0]));
        let rotation = node.get("rotation").cloned().unwrap_or(json!([0.0, 0.0, 0.0, 1.0]));
        let scale = node.get("scale").cloned().unwrap_or(json!([1.0, 1.0, 1.0]));
        let scale: [f64; 3] = serde_json::from_value(scale).unwrap();
        node["translation"] = motion.point(&translation);
        node["rotation"] = turned(&rotation, motion.turn);
        node["scale"] = json!(scale.map(|s| s * motion.scale));
    }
    pack(&document, &binary)
}

/// A quaternion as written, turned in the world; its length stays.
fn turned(written: &Value, turn: DQuat) -> Value {
    let read: [f64; 4] = serde_json::from_value(written.clone()).unwrap();
    json!((turn * DQuat::from_array(read)).to_array())
}

fn unpack(bytes: &[u8]) -> (Value, Vec<u8>) {
    let length = |at: usize| u32::from_le_bytes(bytes[at..at + 4].try_into().unwrap()) as usize;
    let end = 20 + length(12);
    let binary = if bytes.len() > end { bytes[end + 8..end + 8 + length(end)].to_vec() } else { Vec::new() };
    (serde_json::from_slice(&bytes[20..end]).unwrap(), binary)
}

fn pack(document: &Value, binary: &[u8]) -> Vec<u8> {
    let mut text = document.to_string().into_bytes();
    text.resize(text.len().next_multiple_of(4), b' ');
    let mut out = b"glTF".to_vec();
    out.extend(2_u32.to_le_bytes());
    out.extend(((28 + text.len() + binary.len()) as u32).to_le_bytes());
    for (kind, chunk) in [(b"JSON", text.as_slice()), (b"BIN\0", binary)] {
        out.extend((chunk.len() as u32).to_le_bytes());
        out.extend(kind);
        out.extend(chunk);
    }
    out
}
