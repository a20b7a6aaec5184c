//! The tables of the standards against the sheets they were written from (`../shared/standards.md` and
//! `../shared/data/standards/hanim_joints.csv`), and against counts that the standards state.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::collections::BTreeMap;
use std::path::Path;

use condyle_core::check::{Profile, Request, Unobserved, run};
use condyle_core::intake::{Bundle, Limits, Upload, read};
use condyle_core::standards::{hanim, vrm};
use serde_json::{Value, json};

/// VRM 1.0: 55 bones, 15 of them required by the schema.
#[test]
fn the_humanoid_has_the_counts_of_its_standard() {
    assert_eq!(vrm().len(), 55);
    assert_eq!(vrm().values().filter(|bone| bone.required).count(), 15);
    assert_eq!(
        vrm().values().filter(|bone| bone.parent.is_none()).map(|b| b.name).collect::<Vec<_>>(),
        ["hips"]
    );
    assert!(vrm().values().all(|bone| bone.parent.is_none_or(|up| vrm().contains_key(up))));
}

/// ISO/IEC 19774-1:2019: 18, 71, 94 and 146 joints at levels 1 to 4, the root counted.
#[test]
fn every_level_has_the_count_of_its_standard() {
    let count = |level| hanim().values().filter(|joint| joint.at(level)).count();
    assert_eq!([count(1), count(2), count(3), count(4)], [18, 71, 94, 146]);
    for joint in hanim().values() {
        for level in 1..=4 {
            if let Some(parent) = joint.parents[level - 1] {
                assert!(hanim()[parent].at(level), "{} at level {level}", joint.name);
            }
        }
    }
}

/// The text of a sheet, or `None` with the reason printed by the harness; under CI it must be there.
fn sheet(path: &str) -> Option<String> {
    let text =
        std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("../../shared").join(path)).ok();
    assert!(text.is_some() || std::env::var_os("CI").is_none(), "../shared/{path} is absent");
    text
}

#[test]
fn the_joints_are_those_of_the_sheet() {
    let Some(text) = sheet("data/standards/hanim_joints.csv") else { return };
    let mut rows = 0;
    for row in text.lines().skip(1) {
        let fields: Vec<&str> = row.split(',').collect();
        let joint = hanim()[fields[0]];
        assert_eq!(joint.lowest.to_string(), fields[1], "{row}");
        for (parent, field) in joint.parents.iter().zip(&fields[2..6]) {
            assert_eq!(parent.unwrap_or_default(), field.trim_start_matches('-'), "{row}");
        }
        rows += 1;
    }
    assert_eq!(rows, hanim().len());
}

#[test]
fn the_bones_are_those_of_the_sheet() {
    let Some(text) = sheet("standards.md") else { return };
    let table = text.split("| Bone | Req | Parent |").nth(1).unwrap().split("\n\n").next().unwrap();
    let mut found: BTreeMap<String, (bool, String, bool)> = BTreeMap::new();
    for row in table.lines().skip(2) {
        let fields: Vec<&str> = row.trim_matches('|').split('|').map(str::trim).collect();
        let (required, needs) = (fields[1].contains('R'), fields[4] == "yes");
        let sides: &[&str] = if fields[0].contains('…') || fields[0].contains("left/right") {
            &["left", "right"]
        } else {
            &[""]
        };
        for side in sides {
            let fingers: &[&str] =
                if fields[0].contains('{') { &["Index", "Middle", "Ring", "Little"] } else { &[""] };
            for finger in fingers {
                let name = |cell: &str| {
                    cell.replace("left/right", side)
                        .replace("{Index,Middle,Ring,Little}", finger)
                        .replace("…{…}", &format!("{side}{finger}"))
                        .replace('…', side)
                };
                for bone in name(fields[0]).split(", ") {
                    let parent = if fields[2] == "(root)" { String::new() } else { name(fields[2]) };
                    found.insert(bone.to_owned(), (required, parent, needs));
                }
            }
        }
    }
    let ours: BTreeMap<String, (bool, String, bool)> = vrm()
        .values()
        .map(|b| (b.name.to_owned(), (b.required, b.parent.unwrap_or_default().to_owned(), b.needs_parent)))
        .collect();
    assert_eq!(found, ours);
}

/// What the profile of a level says about a skeleton, given as names and parents.
fn told(level: usize, joints: &[(String, String)]) -> Vec<String> {
    let list: Vec<Value> = joints
        .iter()
        .enumerate()
        .map(|(at, (name, parent))| {
            let parent = if parent.is_empty() { Value::Null } else { json!(parent) };
            json!({"name": name, "origin": [0, at, 0], "parent": parent})
        })
        .collect();
    let plan = json!({"schema": "condyle.plan/1", "asset": "clerk", "joints": list}).to_string();
    let model = Some(Upload { name: "plan", bytes: plan.as_bytes() });
    let intake = read(&Bundle { model, ..Bundle::default() }, &Limits::default()).unwrap();
    let name = if level == 1 { "h-anim".to_owned() } else { format!("h-anim-{level}") };
    let profile = Profile::builtin(&name).unwrap();
    let mut request = Request::all(&profile, "2026-01-01".parse().unwrap());
    request.only = vec!["naming/standard".into()];
    run(&intake, &request, &Unobserved).unwrap().findings.into_iter().map(|finding| finding.message).collect()
}

/// The hierarchy of every level, as the sheet has it, is clean under its profile and under every coarser one; without a
/// joint, or with one hung from the root, it is not.
#[test]
fn the_hierarchies_of_the_sheet_follow_their_own_profiles() {
    let Some(text) = sheet("data/standards/hanim_joints.csv") else { return };
    let rows: Vec<Vec<&str>> = text.lines().skip(1).map(|row| row.split(',').collect()).collect();
    for level in 1..=4 {
        let tree: Vec<(String, String)> = rows
            .iter()
            .filter(|row| !row[level + 1].is_empty())
            .map(|row| (row[0].to_owned(), row[level + 1].trim_start_matches('-').to_owned()))
            .collect();
        for coarser in 1..=level {
            assert_eq!(told(coarser, &tree), Vec::<String>::new(), "level {level} under level {coarser}");
        }
        let knee = tree.iter().position(|(name, _)| name == "l_knee").unwrap();
        let mut hung = tree.clone();
        hung[knee].1 = "humanoid_root".into();
        assert_eq!(told(level, &hung), ["l_knee hangs from humanoid_root, and by the standard from l_hip"]);
        let mut lacking = tree;
        lacking.retain(|(name, _)| name != "skullbase");
        let found = told(level, &lacking);
        assert!(
            found.iter().any(|text| text.contains("lacks 1 joint") && text.contains("skullbase")),
            "{found:?}"
        );
    }
}
