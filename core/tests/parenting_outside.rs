//! Skeletons of open standards whose joints come without parents: the published tree must come back.
//! `../shared/data/standards` has the hierarchy of ISO/IEC 19774-1 with published joint centres; the two hands have the
//! joints of the WebXR Hand Input module. Ignored, with the reason, where the folder is absent.
#![expect(clippy::expect_used, reason = "a test may stop at the first surprise")]

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use condyle_core::facts::Facts;
use condyle_core::intake::{Bundle, Limits, Upload, read};
use condyle_core::parenting::{Ask, suggest};
use libtest_mimic::{Arguments, Failed, Trial};
use serde_json::{Value, json};

fn main() -> ExitCode {
    let arguments = Arguments::from_args();
    let data = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../shared/data");
    if !data.is_dir() {
        let absent = || Err(Failed::from("the folder ../shared/data is absent"));
        let ci = std::env::var_os("CI").is_some();
        let trial = Trial::test("standards (needs ../shared/data)", absent).with_ignored_flag(!ci);
        return libtest_mimic::run(&arguments, vec![trial]).exit_code();
    }
    let mut trials = Vec::new();
    for side in ["left", "right"] {
        let path = data.join(format!("skeletons/webxr-hands__generic-hand-{side}.json"));
        trials.push(Trial::test(format!("hand, {side}"), move || hand(&path)));
    }
    for level in 1..=3 {
        let path = data.join("standards/hanim_joints.csv");
        trials.push(Trial::test(format!("ISO/IEC 19774-1, level {level}"), move || humanoid(&path, level)));
    }
    libtest_mimic::run(&arguments, trials).exit_code()
}

type Tree = BTreeMap<String, Option<String>>;

/// Suggests for joints without parents; the share that is right, and what is wrong.
fn compare(joints: &[(String, [f64; 3])], truth: &Tree, answers: &[(&str, &str)]) -> (f64, Vec<String>) {
    let list: Vec<Value> =
        joints.iter().map(|(name, origin)| json!({"name": name, "origin": origin})).collect();
    let text = json!({"schema": "condyle.plan/1", "asset": "standard", "joints": list}).to_string();
    let upload = Upload { name: "a.plan.json", bytes: text.as_bytes() };
    let bundle = Bundle { plan: Some(upload), model: None, files: vec![] };
    let read = read(&bundle, &Limits::default()).expect("a plan");
    let answers = answers.iter().map(|(id, answer)| ((*id).to_owned(), (*answer).to_owned())).collect();
    let found = suggest(&Facts::new(&read.rig), &Ask { answers, ..Ask::default() }).expect("suggestions");
    let wrong: Vec<String> = found
        .suggestions
        .iter()
        .filter(|one| truth[&one.joint] != one.parent)
        .map(|one| format!("{} <- {:?} {:.2}", one.joint, one.parent, one.probability))
        .collect();
    (1.0 - wrong.len() as f64 / joints.len() as f64, wrong)
}

/// WebXR Hand Input Module, Level 1, "Skeleton joints": wrist, then metacarpal, proximal, intermediate, distal, tip of
/// each finger (the thumb has no intermediate).
fn hand(path: &PathBuf) -> Result<(), Failed> {
    let file: Value = serde_json::from_slice(&std::fs::read(path)?)?;
    let mut joints = Vec::new();
    for joint in file["joints"].as_array().ok_or("no joints")? {
        let name = joint["name"].as_str().ok_or("no name")?.to_owned();
        let at = [0, 1, 2].map(|i| joint["position"][i].as_f64().unwrap_or(f64::NAN));
        joints.push((name, at));
    }
    let mut truth: Tree = BTreeMap::from([("wrist".to_owned(), None)]);
    let places = ["metacarpal", "phalanx-proximal", "phalanx-intermediate", "phalanx-distal", "tip"];
    for finger in ["thumb", "index-finger", "middle-finger", "ring-finger", "pinky-finger"] {
        let mut parent = "wrist".to_owned();
        for place in places.iter().filter(|place| finger != "thumb" || **place != "phalanx-intermediate") {
            let joint = format!("{finger}-{place}");
            truth.insert(joint.clone(), Some(parent));
            parent = joint;
        }
    }
    if truth.len() != 25 || joints.len() != 25 {
        return Err(format!("{} and {} joints instead of 25", truth.len(), joints.len()).into());
    }
    let (right, wrong) = compare(&joints, &truth, &[]);
    if right < 1.0 { Err(format!("wrong: {wrong:?}").into()) } else { Ok(()) }
}

/// The joints of a level that have a published centre; the truth is the nearest ancestor that has one.
fn humanoid(path: &PathBuf, level: usize) -> Result<(), Failed> {
    let text = std::fs::read_to_string(path)?;
    let mut parent: BTreeMap<String, String> = BTreeMap::new();
    let mut centres: Vec<(String, [f64; 3])> = Vec::new();
    for line in text.lines().skip(1) {
        let cells: Vec<&str> = line.split(',').collect();
        let (name, least) = (cells[0].to_owned(), cells[1].parse::<usize>()?);
        if least > level {
            continue;
        }
        parent.insert(name.clone(), cells[1 + level].to_owned());
        if let (Ok(x), Ok(y), Ok(z)) = (cells[6].parse(), cells[7].parse(), cells[8].parse()) {
            centres.push((name, [x, y, z]));
        }
    }
    let placed = |name: &str| centres.iter().any(|(other, _)| other == name);
    let truth: Tree = centres
        .iter()
        .map(|(name, _)| {
            let mut up = parent.get(name).cloned();
            while let Some(at) = &up
                && at != "-"
                && !placed(at)
            {
                up = parent.get(at).cloned();
            }
            (name.clone(), up.filter(|at| at != "-"))
        })
        .collect();
    let (right, wrong) = compare(&centres, &truth, &[]);
    if right < 0.9 {
        return Err(format!("{:.1} % of {} right; wrong: {wrong:?}", right * 100.0, centres.len()).into());
    }
    Ok(())
}
