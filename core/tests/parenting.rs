//! The parenting suggester against outside references and its own promises.
#![expect(clippy::unwrap_used, clippy::expect_used, reason = "a test may stop at the first surprise")]

use std::collections::BTreeMap;

use condyle_core::facts::Facts;
use condyle_core::intake::{Bundle, FaultKind, Limits, Upload, read};
use condyle_core::parenting::arborescence::{Edge, best_tree};
use condyle_core::parenting::fit::{fit_model, read_samples, small};
use condyle_core::parenting::model::Model;
use condyle_core::parenting::{Ask, Parents, Refusal, Status, suggest};
use serde_json::{Value, json};

fn ask(plan: &Value, ask: &Ask) -> Result<Parents, Refusal> {
    let text = plan.to_string();
    let upload = Upload { name: "a.plan.json", bytes: text.as_bytes() };
    let read = read(&Bundle { plan: Some(upload), model: None, files: vec![] }, &Limits::default()).unwrap();
    suggest(&Facts::new(&read.rig), ask)
}

fn parents_of(answer: &Parents) -> BTreeMap<String, Option<String>> {
    answer.suggestions.iter().map(|one| (one.joint.clone(), one.parent.clone())).collect()
}

/// A clerk of the harbour: hips, back, neck, head, and two arms and legs; nobody has a parent.
fn clerk() -> Vec<(String, [f64; 3])> {
    let mut out: Vec<(String, [f64; 3])> = [
        ("hips", [0.0, 1.0, 0.0]),
        ("spine_01", [0.0, 1.12, 0.01]),
        ("spine_02", [0.0, 1.25, 0.01]),
        ("chest", [0.0, 1.38, 0.0]),
        ("neck", [0.0, 1.55, -0.02]),
        ("head", [0.0, 1.66, 0.0]),
    ]
    .map(|(name, at)| (name.to_owned(), at))
    .to_vec();
    for (side, x) in [("l", 1.0), ("r", -1.0)] {
        for (name, at) in [
            ("thigh", [0.1, 0.95, 0.0]),
            ("shin", [0.1, 0.52, 0.01]),
            ("foot", [0.1, 0.1, -0.03]),
            ("upper_arm", [0.2, 1.48, -0.02]),
            ("forearm", [0.46, 1.48, -0.03]),
            ("hand", [0.7, 1.48, -0.02]),
        ] {
            out.push((format!("{name}_{side}"), [at[0] * x, at[1], at[2]]));
        }
    }
    out
}

fn plan(joints: &[(String, [f64; 3])]) -> Value {
    let joints: Vec<Value> =
        joints.iter().map(|(name, origin)| json!({"name": name, "origin": origin})).collect();
    json!({"schema": "condyle.plan/1", "asset": "harbour-clerk", "joints": joints})
}

/// The anatomy of a person: what hangs from what.
fn anatomy() -> BTreeMap<String, Option<String>> {
    let mut out = BTreeMap::new();
    for (joint, parent) in [
        ("hips", None),
        ("spine_01", Some("hips")),
        ("spine_02", Some("spine_01")),
        ("chest", Some("spine_02")),
        ("neck", Some("chest")),
        ("head", Some("neck")),
    ] {
        out.insert(joint.to_owned(), parent.map(str::to_owned));
    }
    for side in ["l", "r"] {
        for (joint, parent) in
            [("shin", "thigh"), ("foot", "shin"), ("forearm", "upper_arm"), ("hand", "forearm")]
        {
            out.insert(format!("{joint}_{side}"), Some(format!("{parent}_{side}")));
        }
        out.insert(format!("thigh_{side}"), Some("hips".to_owned()));
        out.insert(format!("upper_arm_{side}"), Some("chest".to_owned()));
    }
    out
}

#[test]
fn a_person_is_put_together_and_the_patch_says_the_same() {
    let plan = plan(&clerk());
    let answer = ask(&plan, &Ask::default()).unwrap();
    assert_eq!(parents_of(&answer), anatomy());
    let mut patched = plan.clone();
    let patch: json_patch::Patch =
        serde_json::from_value(serde_json::to_value(&answer.patch).unwrap()).unwrap();
    json_patch::patch(&mut patched, &patch).unwrap();
    for joint in patched["joints"].as_array().unwrap() {
        let parent = joint.get("parent").expect("decided").as_str().map(str::to_owned);
        assert_eq!(&parent, &anatomy()[joint["name"].as_str().unwrap()]);
    }
    let sum: f64 = answer.suggestions.iter().map(|one| one.probability).sum();
    assert!((sum - answer.expected_correct).abs() < 0.01);
    assert_eq!(answer.proposed, plan["joints"].as_array().unwrap().len() as u64);
    for one in &answer.suggestions {
        assert!((0.0..=1.0).contains(&one.probability) && one.status == Status::Proposed, "{one:?}");
        let next = one.runner_up.as_ref().map_or(0.0, |next| next.probability);
        assert!(one.probability + next <= 1.0 + 1e-3, "{one:?}");
        assert!(one.parent.is_none() || !one.reasons.is_empty(), "{one:?}");
    }
}

#[test]
fn only_what_is_probable_enough_goes_into_the_patch() {
    let plan = plan(&clerk());
    let answer = ask(&plan, &Ask { least: 0.9, ..Ask::default() }).unwrap();
    let probable = answer.suggestions.iter().filter(|one| one.probability >= 0.9).count();
    assert_eq!(answer.patch.len(), probable);
}

#[test]
fn the_order_of_the_joints_changes_nothing() {
    let joints = clerk();
    let first = ask(&plan(&joints), &Ask::default()).unwrap();
    let mut turned = joints.clone();
    turned.reverse();
    turned.rotate_left(5);
    let second = ask(&plan(&turned), &Ask::default()).unwrap();
    assert_eq!(parents_of(&first), parents_of(&second));
    for one in &first.suggestions {
        let other = second.suggestions.iter().find(|other| other.joint == one.joint).unwrap();
        assert_eq!(
            (&one.parent, one.probability, &one.reasons),
            (&other.parent, other.probability, &other.reasons)
        );
    }
}

#[test]
fn decided_parents_stay_and_the_answer_is_a_tree() {
    let joints = clerk();
    let mut document = plan(&joints);
    // A habit of this house: the head is the root and the neck hangs from it.
    for joint in document["joints"].as_array_mut().unwrap() {
        match joint["name"].as_str().unwrap() {
            "head" => joint["parent"] = json!(null),
            "neck" => joint["parent"] = json!("head"),
            "hand_l" => joint["parent"] = json!("foot_r"),
            _ => {}
        }
    }
    let answer = ask(&document, &Ask::default()).unwrap();
    let present: BTreeMap<String, Option<String>> = answer
        .suggestions
        .iter()
        .map(|one| match &one.present {
            Some(present) => (one.joint.clone(), present.parent.clone()),
            None => (one.joint.clone(), one.parent.clone()),
        })
        .collect();
    assert_eq!(present["head"], None);
    assert_eq!(present["neck"].as_deref(), Some("head"));
    assert_eq!(present["hand_l"].as_deref(), Some("foot_r"));
    assert_eq!(present.values().filter(|parent| parent.is_none()).count(), 1, "one root, the decided one");
    for start in present.keys() {
        let (mut at, mut steps) = (start.clone(), 0);
        while let Some(up) = &present[&at] {
            at.clone_from(up);
            steps += 1;
            assert!(steps <= present.len(), "{start} never reaches a root");
        }
    }
    let hand = answer.suggestions.iter().find(|one| one.joint == "hand_l").unwrap();
    assert_eq!((hand.status, hand.parent.as_deref()), (Status::Challenged, Some("forearm_l")));
}

#[test]
fn twins_get_mirrored_parents() {
    let answer = ask(&plan(&clerk()), &Ask::default()).unwrap();
    let all = parents_of(&answer);
    for (joint, parent) in &all {
        if let Some(stem) = joint.strip_suffix("_l") {
            let other = &all[&format!("{stem}_r")];
            let mirrored =
                parent.as_ref().map(|p| p.strip_suffix("_l").map_or(p.clone(), |s| format!("{s}_r")));
            assert_eq!(*other, mirrored, "{joint}");
        }
    }
}

#[test]
fn an_answer_is_applied_to_all_joints_of_its_kind() {
    let answers = BTreeMap::from([
        ("legs_hang_from".to_owned(), "spine_01".to_owned()),
        ("gills_hang_from".to_owned(), "hips".to_owned()),
    ]);
    let answer = ask(&plan(&clerk()), &Ask { answers, ..Ask::default() }).unwrap();
    let all = parents_of(&answer);
    assert_eq!(all["thigh_l"].as_deref(), Some("spine_01"));
    assert_eq!(all["thigh_r"].as_deref(), Some("spine_01"));
    assert_eq!(answer.unused_answers, ["gills_hang_from"]);
}

#[test]
fn a_loop_and_too_many_joints_are_refused_with_their_place() {
    let mut document = plan(&clerk());
    document["joints"][1]["parent"] = json!("spine_02");
    document["joints"][2]["parent"] = json!("spine_01");
    let fault = ask(&document, &Ask::default()).unwrap_err().fault("a.plan.json");
    assert_eq!(fault.kind, FaultKind::Invalid);
    assert!(
        fault.to_string().contains("spine_01, spine_02") && fault.to_string().contains("/joints/1"),
        "{fault}"
    );
    let many: Vec<(String, [f64; 3])> =
        (0..1_300).map(|i| (format!("j{i}"), [f64::from(i % 37), f64::from(i % 41), f64::from(i)])).collect();
    let refusal = ask(&plan(&many), &Ask::default()).unwrap_err();
    assert_eq!(refusal, Refusal::TooMany { max: 1_200, got: 1_300 });
}

#[test]
fn odd_skeletons_get_a_tree_as_well() {
    let one = ask(&plan(&[("x".to_owned(), [1e12, 0.0, 0.0])]), &Ask::default()).unwrap();
    assert_eq!(one.suggestions[0].parent, None);
    let same: Vec<(String, [f64; 3])> = (0..30).map(|_| (String::new(), [0.0; 3])).collect();
    let answer = ask(&plan(&same), &Ask::default()).unwrap();
    assert_eq!(answer.suggestions.iter().filter(|one| one.parent.is_none()).count(), 1);
    let empty = ask(&plan(&[]), &Ask::default()).unwrap();
    assert!(empty.suggestions.is_empty() && empty.patch.is_empty());
}

/// VRM 1.0, humanoid: the bones and their parents ("Humanoid Bones", the table of parent bones).
const VRM: &[(&str, &str)] = &[
    ("spine", "hips"),
    ("chest", "spine"),
    ("upperChest", "chest"),
    ("neck", "upperChest"),
    ("head", "neck"),
    ("leftEye", "head"),
    ("rightEye", "head"),
    ("jaw", "head"),
];
const VRM_SIDED: &[(&str, &str)] = &[
    ("UpperLeg", "hips"),
    ("LowerLeg", "UpperLeg"),
    ("Foot", "LowerLeg"),
    ("Toes", "Foot"),
    ("Shoulder", "upperChest"),
    ("UpperArm", "Shoulder"),
    ("LowerArm", "UpperArm"),
    ("Hand", "LowerArm"),
    ("ThumbMetacarpal", "Hand"),
    ("ThumbProximal", "ThumbMetacarpal"),
    ("ThumbDistal", "ThumbProximal"),
];

#[test]
fn most_parents_of_the_humanoid_standard_come_back_from_names_alone() {
    let mut truth: BTreeMap<String, Option<String>> = BTreeMap::from([("hips".to_owned(), None)]);
    for (joint, parent) in VRM {
        truth.insert((*joint).to_owned(), Some((*parent).to_owned()));
    }
    for side in ["left", "right"] {
        let sided = |name: &str| {
            if name.starts_with(char::is_uppercase) { format!("{side}{name}") } else { name.to_owned() }
        };
        for (joint, parent) in VRM_SIDED {
            truth.insert(sided(joint), Some(sided(parent)));
        }
        for finger in ["Index", "Middle", "Ring", "Little"] {
            let mut parent = sided("Hand");
            for place in ["Proximal", "Intermediate", "Distal"] {
                let joint = format!("{side}{finger}{place}");
                truth.insert(joint.clone(), Some(parent));
                parent = joint;
            }
        }
    }
    assert_eq!(truth.len(), 55);
    let joints: Vec<(String, [f64; 3])> = truth.keys().map(|name| (name.clone(), [0.0; 3])).collect();
    let answer = ask(&plan(&joints), &Ask::default()).unwrap();
    let found = parents_of(&answer);
    let wrong: Vec<_> = truth.iter().filter(|(joint, parent)| found[*joint] != **parent).collect();
    // Without any place the suggester is out of its depth: it was fitted on skeletons that lie somewhere.
    assert!(wrong.len() <= 11, "{} of 55 wrong: {wrong:?}, found {found:?}", wrong.len());
}

/// Made by `tests/outside/arborescence.py` with networkx 3.6.1.
#[test]
fn the_best_tree_scores_what_another_library_finds() {
    let graphs: Value = serde_json::from_str(include_str!("data/arborescence.json")).unwrap();
    for graph in graphs.as_array().unwrap() {
        let count = graph["nodes"].as_u64().unwrap() as usize;
        let mut weights = graph["weights"].as_array().unwrap().iter().map(|w| w.as_f64().unwrap());
        let mut edges = Vec::new();
        for from in 0..count {
            for to in (1..count).filter(|to| *to != from) {
                edges.push(Edge { from, to, score: weights.next().unwrap() });
            }
        }
        let tree = best_tree(count, &edges).unwrap();
        let total: f64 = tree.iter().map(|index| edges[*index].score).sum();
        assert_eq!(total, graph["total"].as_f64().unwrap(), "{count} nodes");
    }
}

/// The files were made by `fit-parents --generate core/tests/data/skeletons 10`, the model by
/// `fit-parents core/tests/data/skeletons --small -o core/tests/data/small_model.bin`.
#[test]
fn the_program_makes_its_model_byte_for_byte() {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/data/skeletons");
    let mut paths: Vec<_> = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    paths.sort();
    let files: Vec<Vec<u8>> = paths.iter().map(|path| std::fs::read(path).unwrap()).collect();
    let (samples, digest) = read_samples(&files).unwrap();
    assert_eq!(samples.len(), 10);
    let model = fit_model(&samples, &small(), digest);
    let committed = include_bytes!("data/small_model.bin");
    assert_eq!(Model::read(committed).unwrap(), model);
    assert!(model.write() == committed, "the same model in other bytes");
}
