//! What a difference tells of real models that another program edited: `tests/outside/edited.py` (pygltflib, numpy)
//! writes them, and what it did to each.
#![allow(clippy::unnecessary_wraps, reason = "every trial has one shape")]
#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test may stop at the first surprise")]

use std::path::PathBuf;
use std::process::ExitCode;

use condyle_core::check::{Profile, Request, Unobserved, run};
use condyle_core::difference::{Difference, Playable, Side, compare};
use condyle_core::intake::{Bundle, Intake, Limits, Upload, read};
use libtest_mimic::{Arguments, Failed, Trial};
use serde_json::Value;

/// Names the folder that `edited.py` wrote.
const VARIABLE: &str = "CONDYLE_OUTSIDE_EDITS";

fn main() -> ExitCode {
    let arguments = Arguments::from_args();
    let folder = std::env::var_os(VARIABLE).map(PathBuf::from);
    let trials = match folder {
        Some(folder) => {
            let text = std::fs::read_to_string(folder.join("expected.json")).expect("edited.py wrote it");
            let cases: Vec<Value> = serde_json::from_str(&text).expect("it is JSON");
            assert!(!cases.is_empty(), "edited.py wrote no case");
            let trial = |case: Value| {
                let folder = folder.clone();
                let name =
                    format!("{} of {}", case["case"].as_str().unwrap(), case["model"].as_str().unwrap());
                Trial::test(name, move || {
                    told(&folder, &case);
                    Ok(())
                })
            };
            cases.into_iter().map(trial).collect()
        }
        None => {
            let absent = || Err(Failed::from(format!("{VARIABLE} is not set; see .ci/run")));
            let ignored = std::env::var_os("CI").is_none();
            vec![Trial::test(format!("edits are told (needs {VARIABLE})"), absent).with_ignored_flag(ignored)]
        }
    };
    libtest_mimic::run(&arguments, trials).exit_code()
}

fn intake(bytes: &[u8]) -> Intake {
    let model = Some(Upload { name: "model.glb", bytes });
    read(&Bundle { model, ..Bundle::default() }, &Limits::default()).unwrap()
}

fn difference(folder: &std::path::Path, case: &Value) -> Difference {
    let read = |which: &str| intake(&std::fs::read(folder.join(case[which].as_str().unwrap())).unwrap());
    let (before, now) = (read("before"), read("after"));
    let profile = Profile::realtime();
    let request =
        Request { only: vec!["structure".into()], ..Request::all(&profile, "2026-11-25".parse().unwrap()) };
    let judged = |intake: &Intake| run(intake, &request, &Unobserved).unwrap();
    let (old, new) = (judged(&before), judged(&now));
    let from = Side { report: &old, rig: Some(&before.rig) };
    compare(("before", from), ("now", Side { report: &new, rig: Some(&now.rig) }), None)
}

fn told(folder: &std::path::Path, case: &Value) {
    let found = difference(folder, case);
    let skeleton = found.skeleton.as_ref().unwrap();
    let skins = found.skins.as_ref().unwrap();
    let text = |key: &str| case[key].as_str().unwrap();
    let number = |key: &str| case[key].as_f64().unwrap();
    let lists = (
        skeleton.added.len(),
        skeleton.removed.len(),
        skeleton.renamed.len(),
        skeleton.reparented.len(),
        skeleton.moved.len(),
    );
    let still = skins.changed.is_empty() && skins.added.is_empty() && skins.removed.is_empty();
    match text("case") {
        "moved" => {
            let [moved] = skeleton.moved.as_slice() else { panic!("{:?}", skeleton.moved) };
            assert_eq!(moved.joint, text("joint"));
            let far = number("distance_mm");
            // The file holds 32-bit numbers.
            assert!((moved.distance_mm - far).abs() <= far * 1e-3 + 1e-3, "{moved:?} against {far}");
            assert_eq!(lists, (0, 0, 0, 0, 1));
            assert!(still && found.weights.is_empty(), "{skins:?}");
        }
        "renamed" => {
            let [renamed] = skeleton.renamed.as_slice() else { panic!("{:?}", skeleton.renamed) };
            assert_eq!((renamed.before.as_str(), renamed.now.as_str()), (text("from"), text("to")));
            assert_eq!(lists, (0, 0, 1, 0, 0));
            assert!(still && found.weights.is_empty(), "the same joint under another name: {skins:?}");
            let mut lost: Vec<&str> = found
                .clips
                .iter()
                .flat_map(|clip| &clip.lost)
                .inspect(|one| assert_eq!(one.target, text("from")))
                .map(|one| one.path.as_str())
                .collect();
            lost.sort_unstable();
            let expected: Vec<&str> =
                case["lost"].as_array().unwrap().iter().map(|one| one.as_str().unwrap()).collect();
            assert_eq!(lost, expected);
            let partly = found.clips.iter().filter(|clip| clip.plays == Playable::Partly).count();
            assert_eq!(partly > 0, !expected.is_empty());
        }
        "reparented" => {
            let [one] = skeleton.reparented.as_slice() else { panic!("{:?}", skeleton.reparented) };
            assert_eq!(
                (one.joint.as_str(), one.before.as_deref(), one.now.as_deref()),
                (text("joint"), Some(text("from")), Some(text("to")))
            );
            assert_eq!(lists, (0, 0, 0, 1, 0), "its place in the world is kept: {:?}", skeleton.moved);
            assert!(skeleton.turned.is_empty() && still, "{:?}", skeleton.turned);
        }
        "added" => {
            assert_eq!(skeleton.added, [text("joint")]);
            assert_eq!(lists, (1, 0, 0, 0, 0));
            let [skin] = skins.changed.as_slice() else { panic!("{skins:?}") };
            assert_eq!(
                (skin.joints_added.as_slice(), skin.rebound_joints),
                ([text("joint").to_owned()].as_slice(), 0)
            );
            assert!(skin.joints_removed.is_empty() && found.weights.is_empty());
        }
        "rebound" => {
            let [skin] = skins.changed.as_slice() else { panic!("{skins:?}") };
            assert_eq!(
                (skin.rebound.as_slice(), skin.rebound_joints),
                ([text("joint").to_owned()].as_slice(), 1)
            );
            assert_eq!(lists, (0, 0, 0, 0, 0));
        }
        "weights" => {
            let [mesh] = found.weights.as_slice() else { panic!("{:?}", found.weights) };
            assert_eq!(mesh.changed, Some(case["changed"].as_u64().unwrap()));
            assert!((mesh.largest.unwrap() - number("largest")).abs() < 1e-3, "{mesh:?}");
            let first = mesh.joints.iter().find(|one| one.joint == text("joint")).unwrap();
            assert!((first.before - number("share_before")).abs() < 1e-3, "{first:?}");
            assert!((first.now - number("share_now")).abs() < 1e-3, "{first:?}");
            assert_eq!(lists, (0, 0, 0, 0, 0));
            assert!(still);
        }
        other => panic!("edited.py knows a case {other} that nothing here looks at"),
    }
}
