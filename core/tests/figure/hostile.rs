//! Rigs that nobody should draw: no panic, bounded bytes, bounded time.

use std::time::{Duration, Instant};

use condyle_core::figure::{Options, figure};
use condyle_core::intake::{Bundle, Intake, Limits, Upload, read};
use condyle_core::model::Parent;
use glam::{DMat4, DVec3};
use libtest_mimic::Trial;
use roxmltree::Document;
use serde_json::{Value, json};

use crate::checked;
use crate::sheet::{MOST_BYTES, examine};

pub(crate) fn trials() -> Vec<Trial> {
    let list: [(&str, fn()); 6] = [
        ("hostile names are text", names),
        ("numbers that are none, and huge ones", numbers),
        ("fifty thousand joints", crowd),
        ("bodies without area", flat),
        ("a heap of triangles", heap),
        ("nothing to draw", nothing),
    ];
    list.into_iter()
        .map(|(name, test)| {
            Trial::test(name, move || {
                test();
                Ok(())
            })
        })
        .collect()
}

/// What a sheet may take on the clock of a machine that does other things, too, in a build that is hardly optimised: a
/// fill that costs as many steps as there are cells takes far longer on the heap below.
const PATIENCE: Duration = Duration::from_mins(10);

fn plan(joints: &Value) -> Intake {
    let text = json!({"schema": "condyle.plan/1", "asset": "eel", "joints": joints}).to_string();
    let bundle = Bundle { plan: Some(Upload { name: "it", bytes: text.as_bytes() }), ..Bundle::default() };
    read(&bundle, &Limits::default()).unwrap()
}

fn sheet(intake: &Intake) -> String {
    let report = checked(intake);
    let begun = Instant::now();
    let sheet = figure(&intake.rig, "it", Some(&report), &Options::default());
    assert!(begun.elapsed() < PATIENCE, "{:?}", begun.elapsed());
    examine(&sheet, &report);
    sheet.svg
}

fn names() {
    let name = "<script>x</script>]]>&\u{202e}\u{0}\u{ffff}\"'";
    let long = "o\u{301}".repeat(900);
    let wide = "\u{6d77}".repeat(200);
    let joints = json!([
        {"name": name, "origin": [0, 0, 0], "tip": [0, 0, 0], "parent": null},
        {"name": name, "origin": [0, 1, 0], "parent": null},
        {"name": long, "origin": [0, 1, 0], "tip": [0, 1, 0], "parent": null},
        {"name": wide, "origin": [0.2, 1, 0], "tip": [0.2, 1, 0], "parent": null}]);
    let intake = plan(&joints);
    let svg = sheet(&intake);
    assert!(!svg.contains("<script") && svg.contains("&lt;script"));
    let report = checked(&intake);
    let titled = figure(&intake.rig, &format!("{name}{long}"), Some(&report), &Options::default());
    examine(&titled, &report);
}

fn numbers() {
    let base = plan(&json!([
        {"name": "a", "origin": [0, 0, 0], "parent": null},
        {"name": "b", "origin": [0, 1, 0], "parent": "a"},
        {"name": "c", "origin": [0, 2, 0], "parent": "b"}]));
    for values in [
        [f64::NAN, 1.0, 2.0],
        [f64::INFINITY, f64::NEG_INFINITY, f64::NAN],
        [1e38, -1e38, 1e38],
        [1e-40, -1e-40, 0.0],
        [f64::MAX, f64::MIN, 0.0],
        [1e300, 1e300 + 1e285, 0.0],
        [5.0, 5.0, 5.0],
        [1e9, 1e9 + 1e-4, 1e9],
    ] {
        let mut intake = base.clone();
        for (joint, value) in intake.rig.joints.iter_mut().zip(values) {
            joint.rest = DMat4::from_translation(DVec3::new(value, value / 2.0, -value));
        }
        let svg = sheet(&intake);
        assert!(!svg.contains("NaN") && !svg.contains("inf"), "{values:?}");
    }
}

/// More than an upload may have: the drawing does not lean on the limits of reading.
fn crowd() {
    let mut intake = plan(&json!([{"name": "a", "origin": [0, 0, 0], "parent": null}]));
    let first = intake.rig.joints[0].clone();
    let angle = |k: u32| f64::from(k) * 0.37;
    for k in 1..50_000_u32 {
        let mut joint = first.clone();
        joint.name = Some(format!("joint_{k}"));
        joint.rest = DMat4::from_translation(DVec3::new(angle(k).sin(), f64::from(k) * 1e-4, angle(k).cos()));
        joint.parent = Parent::Joint(condyle_core::model::JointId::new(k as usize - 1));
        intake.rig.joints.push(joint);
    }
    let begun = Instant::now();
    let svg = figure(&intake.rig, "crowd", None, &Options::default()).svg;
    assert!(begun.elapsed() < PATIENCE && svg.len() < MOST_BYTES, "{:?}, {}", begun.elapsed(), svg.len());
    Document::parse(&svg).unwrap();
}

/// A glTF of one mesh with these corners and triangles, in a data URI.
fn mesh(points: &[[f32; 3]], triangles: &[[u32; 3]]) -> Intake {
    use base64::Engine as _;
    let mut bin: Vec<u8> = points.iter().flatten().flat_map(|v| v.to_le_bytes()).collect();
    let at = bin.len();
    bin.extend(triangles.iter().flatten().flat_map(|v| v.to_le_bytes()));
    let uri = format!(
        "data:application/octet-stream;base64,{}",
        base64::engine::general_purpose::STANDARD.encode(&bin)
    );
    let text = json!({
        "asset": {"version": "2.0"}, "scene": 0, "scenes": [{"nodes": [0]}], "nodes": [{"mesh": 0}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}, "indices": 1}]}],
        "accessors": [
            {"bufferView": 0, "componentType": 5126, "count": points.len(), "type": "VEC3",
             "min": [0, 0, 0], "max": [1, 1, 1]},
            {"bufferView": 1, "componentType": 5125, "count": triangles.len() * 3, "type": "SCALAR"}],
        "bufferViews": [
            {"buffer": 0, "byteOffset": 0, "byteLength": at},
            {"buffer": 0, "byteOffset": at, "byteLength": bin.len() - at}],
        "buffers": [{"byteLength": bin.len(), "uri": uri}]})
    .to_string();
    let bundle = Bundle { model: Some(Upload { name: "it", bytes: text.as_bytes() }), ..Bundle::default() };
    read(&bundle, &Limits::default()).unwrap_or_else(|fault| panic!("{fault}"))
}

fn flat() {
    let nan = f32::NAN;
    for points in [
        [[0.0, 0.0, 0.0], [0.0, 0.0, 0.0], [0.0, 0.0, 0.0]],
        [[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [2.0, 0.0, 0.0]],
        [[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]],
        [[nan, 0.0, 0.0], [1.0, nan, 0.0], [0.0, 0.0, nan]],
        [[-3e38, 0.0, 0.0], [3e38, 0.0, 0.0], [0.0, 3e38, 1.0]],
        [[1e-42, 0.0, 0.0], [0.0, 1e-42, 0.0], [0.0, 0.0, 1e-42]],
    ] {
        sheet(&mesh(&points, &[[0, 1, 2], [0, 0, 0], [2, 1, 0]]));
    }
    // A sheet in the ground plane is a line from the front and the side, and a square from the top.
    let svg = sheet(&mesh(
        &[[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [1.0, 0.0, 1.0], [0.0, 0.0, 1.0]],
        &[[0, 1, 2], [0, 2, 3]],
    ));
    let document = Document::parse(&svg).unwrap();
    let bodies = document.descendants().filter(|node| node.attribute("data-part") == Some("body")).count();
    assert_eq!(bodies, 3, "what has no width is drawn all the same");
}

/// A million triangles, each over the whole view and none like the next.
fn heap() {
    let corner = |k: u32| (f64::from(k) * 0.618).fract() as f32;
    let points: Vec<[f32; 3]> =
        (0..1_000_u32).map(|k| [corner(k), corner(k * 7 + 3), corner(k * 13 + 5)]).collect();
    let triangles: Vec<[u32; 3]> =
        (0..1_000_000_u32).map(|k| [k % 1_000, (k * 31 + 7) % 1_000, (k * 17 + k / 1_000) % 1_000]).collect();
    let intake = mesh(&points, &triangles);
    let begun = Instant::now();
    let svg = figure(&intake.rig, "heap", None, &Options::default()).svg;
    assert!(begun.elapsed() < PATIENCE && svg.len() < MOST_BYTES, "{:?}, {}", begun.elapsed(), svg.len());
}

fn nothing() {
    let svg = sheet(&plan(&json!([])));
    assert!(svg.contains("nothing to draw") && svg.contains("</svg>"));
}
