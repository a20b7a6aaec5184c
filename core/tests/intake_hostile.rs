//! Files of a shape that nobody would send on purpose: each ends in the right kind of answer, in bounded memory.
#![expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use condyle_core::check::{Profile, Request, Unobserved, run};
use condyle_core::intake::{Bundle, Fault, FaultKind, Limits, Upload, read};
use condyle_core::report::{NotRunStatus, Report};
use serde_json::{Value, json};

/// Findings that one check lists; the rest it counts (product.md).
const LISTED: usize = 50;
/// Resident memory of this whole test program at its highest.
const MOST_MEMORY: u64 = 3 << 30;

fn check(document: &Value) -> Result<Report, Fault> {
    let bytes = document.to_string().into_bytes();
    let bundle = Bundle { model: Some(Upload { name: "x", bytes: &bytes }), ..Bundle::default() };
    let intake = read(&bundle, &Limits::default())?;
    let profile = Profile::realtime();
    let report = run(&intake, &Request::all(&profile, "2026-11-25".parse().unwrap()), &Unobserved).unwrap();
    assert!(report.not_run.iter().all(|entry| entry.status != NotRunStatus::Failed), "{:?}", report.not_run);
    for finding in &report.findings {
        let same = report.findings.iter().filter(|other| other.check == finding.check).count();
        assert!(same <= LISTED, "{} lists {same}", finding.check);
    }
    bounded();
    Ok(report)
}

/// Where there is a /proc.
fn bounded() {
    let Ok(status) = std::fs::read_to_string("/proc/self/status") else { return };
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:")).unwrap();
    let kilobytes: u64 = line.trim().strip_suffix(" kB").unwrap().parse().unwrap();
    assert!(kilobytes * 1024 < MOST_MEMORY, "{kilobytes} kB");
}

fn fired(report: &Report, id: &str) -> bool {
    report.findings.iter().any(|finding| finding.check == id)
}

/// A glTF with one primitive of so many vertices at one place; accessors without a view are all zeros (§3.6.2.3).
fn body(vertices: usize, nodes: Vec<Value>, joints: Vec<usize>) -> Value {
    json!({
        "asset": {"version": "2.0"},
        "nodes": nodes,
        "skins": [{"joints": joints}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0, "JOINTS_0": 1, "WEIGHTS_0": 2}}]}],
        "accessors": [
            {"componentType": 5126, "count": vertices, "type": "VEC3"},
            {"componentType": 5121, "count": vertices, "type": "VEC4"},
            {"componentType": 5126, "count": vertices, "type": "VEC4"},
        ],
    })
}

#[test]
fn five_thousand_unknown_parents_with_long_names() {
    let long = "tidepool".repeat(60);
    let joints: Vec<Value> = (0..5_000)
        .map(|n| json!({"name": format!("{long}-{n}"), "origin": [0, n, 0], "parent": format!("{long}+{n}")}))
        .collect();
    let report = check(&json!({"schema": "condyle.plan/1", "asset": "a", "joints": joints})).unwrap();
    assert!(fired(&report, "structure/unknown-parent"));
}

#[test]
fn a_ring_of_five_thousand() {
    let joints: Vec<Value> = (0..5_000)
        .map(|n| json!({"name": format!("j{n}"), "origin": [0, n, 0], "parent": format!("j{}", (n + 1) % 5_000)}))
        .collect();
    let report = check(&json!({"schema": "condyle.plan/1", "asset": "a", "joints": joints})).unwrap();
    assert_eq!(report.findings.iter().filter(|finding| finding.check == "structure/cycle").count(), 1);
}

#[test]
fn eighty_thousand_skins() {
    let skins = vec![json!({"joints": [0]}); 80_000];
    let document = json!({"asset": {"version": "2.0"}, "nodes": [{"name": "hull"}], "skins": skins});
    let report = check(&document).unwrap();
    assert_eq!((report.input.skins, report.input.joints), (80_000, 1));
}

#[test]
fn a_hundred_and_fifty_thousand_channels() {
    let mut document = body(3, vec![json!({"name": "a"}), json!({"mesh": 0, "skin": 0})], vec![0]);
    document["accessors"].as_array_mut().unwrap().extend([
        json!({"componentType": 5126, "count": 2, "type": "SCALAR"}),
        json!({"componentType": 5126, "count": 2, "type": "VEC3"}),
    ]);
    let channels = vec![json!({"sampler": 0, "target": {"node": 0, "path": "translation"}}); 150_000];
    document["animations"] = json!([{"samplers": [{"input": 3, "output": 4}], "channels": channels}]);
    let report = check(&document).unwrap();
    assert_eq!((report.input.clips, report.input.joints), (1, 1));
}

#[test]
fn nodes_thirty_thousand_deep() {
    let mut nodes: Vec<Value> =
        (1..30_000).map(|child| json!({"children": [child], "translation": [0, 0.001, 0]})).collect();
    nodes.push(json!({"mesh": 0, "skin": 0}));
    let report = check(&body(3, nodes, vec![0, 15_000, 29_998])).unwrap();
    assert_eq!(report.input.joints, 3);
}

#[test]
fn a_mesh_drawn_two_thousand_times() {
    let nodes = |users: usize| {
        let mut nodes = vec![json!({"name": "a"})];
        nodes.extend(vec![json!({"mesh": 0, "skin": 0}); users]);
        nodes
    };
    let report = check(&body(3, nodes(2_000), vec![0])).unwrap();
    // A file's vertices count once, whoever draws them.
    assert_eq!(report.input.vertices, 3);
    // 2,000 · 30,000 vertices are more than six times the 8,000,000 that one file may hold.
    let fault = check(&body(30_000, nodes(2_000), vec![0])).unwrap_err();
    assert!(matches!(fault.kind, FaultKind::Limit { limit: "vertices", .. }), "{fault}");
}

#[test]
fn fifty_thousand_primitives_under_a_skin_of_five_thousand() {
    let mut nodes = vec![json!({}); 5_000];
    nodes.push(json!({"mesh": 0, "skin": 0}));
    let mut document = body(3, nodes, (0..5_000).collect());
    let primitive = document["meshes"][0]["primitives"][0].clone();
    document["meshes"][0]["primitives"] = json!(vec![primitive; 50_000]);
    let report = check(&document).unwrap();
    assert_eq!((report.input.joints, report.input.vertices), (5_000, 150_000));
    assert!(fired(&report, "skin/unweighted"));
}
