//! Small meshes, with what must come out worked out by hand.

use condyle_core::export::{Scene, SceneMesh, SceneNode, SceneSkin, Storage, WeightType, write_glb};
use condyle_core::finding::{Applicability, Fix, PatchOp};
use condyle_core::intake::Limits;
use condyle_core::repair::{Outcome, RepairError, Which, apply_fixes, repair_names};
use libtest_mimic::Trial;
use serde_json::{Value, json};

use crate::scene::{changed, open};
use crate::{alone, among, done, one, repaired};

pub(crate) fn trials() -> Vec<Trial> {
    let list: [(&str, fn()); 12] = [
        ("weights, float", floats),
        ("weights, bytes sum to 255 exactly", bytes),
        ("weights move to other joints", moves),
        ("the surface gives weights", surface),
        ("a joint leaves the skin", leaves),
        ("a shared accessor parts", shared),
        ("interleaved attributes stay in place", interleaved),
        ("a glTF with its data inline", inline),
        ("a plan keeps its text", plan_text),
        ("patches are those of RFC 6902", patches),
        ("fingerprints are known or refused", fingerprints),
        ("hostile arguments", hostile),
    ];
    list.into_iter()
        .map(|(name, test)| {
            Trial::test(format!("case: {name}"), move || {
                test();
                Ok(())
            })
        })
        .collect()
}

pub(crate) fn node(name: &str, parent: Option<usize>, x: f64) -> SceneNode {
    SceneNode {
        name: Some(name.into()),
        parent,
        translation: [x, 0.0, 0.0],
        rotation: [0.0, 0.0, 0.0, 1.0],
        scale: [1.0; 3],
        mesh: None,
        skin: None,
    }
}

/// A strip of quads along x with a triangle apart, bound to three joints one metre from each other.
pub(crate) fn strip(influences: Vec<Vec<(u16, f32)>>) -> Scene {
    let positions: Vec<[f32; 3]> = vec![
        [0.0, 0.0, 0.0],
        [0.0, 1.0, 0.0],
        [1.0, 0.0, 0.0],
        [1.0, 1.0, 0.0],
        [2.0, 0.0, 0.0],
        [2.0, 1.0, 0.0],
        [5.0, 0.0, 0.0],
        [5.0, 1.0, 0.0],
        [6.0, 0.0, 0.0],
    ];
    assert_eq!(positions.len(), influences.len());
    let mut nodes = vec![node("hips", None, 0.0), node("chest", Some(0), 1.0), node("head", Some(1), 1.0)];
    nodes.push(SceneNode { mesh: Some(0), skin: Some(0), ..node("body", None, 0.0) });
    let bind = |x: f32| [1.0, 0.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0, 1.0, 0.0, -x, 0.0, 0.0, 1.0];
    Scene {
        nodes,
        meshes: vec![SceneMesh {
            name: "body".into(),
            positions,
            indices: vec![0, 2, 1, 1, 2, 3, 2, 4, 3, 3, 4, 5, 6, 8, 7],
            influences,
            colour: [1.0; 4],
            ..SceneMesh::default()
        }],
        skins: vec![SceneSkin {
            name: "skin".into(),
            joints: vec![0, 1, 2],
            inverse_bind: Some(vec![bind(0.0), bind(1.0), bind(2.0)]),
        }],
        ..Scene::default()
    }
}

pub(crate) fn whole() -> Vec<(u16, f32)> {
    vec![(0, 1.0)]
}

/// The strip with one odd row at a vertex.
pub(crate) fn with(vertex: usize, row: &[(u16, f32)]) -> Vec<Vec<(u16, f32)>> {
    let mut rows = vec![whole(); 9];
    rows[vertex] = row.to_vec();
    rows
}

fn float(rows: Vec<Vec<(u16, f32)>>) -> Vec<u8> {
    write_glb(&strip(rows), &Storage::default())
}

/// Slots and weights of a vertex.
pub(crate) fn row(bytes: &[u8], vertex: usize) -> (Vec<f64>, Vec<f64>) {
    let file = open(bytes);
    let attributes = &file.json["meshes"][0]["primitives"][0]["attributes"];
    let at = |name: &str| file.numbers(attributes[name].as_u64().unwrap() as usize)[vertex].clone();
    (at("JOINTS_0"), at("WEIGHTS_0"))
}

pub(crate) fn close(found: &[f64], expected: &[f64]) {
    assert_eq!(found.len(), expected.len());
    for (a, b) in found.iter().zip(expected) {
        assert!((a - b).abs() < 1e-6, "{found:?} is not {expected:?}");
    }
}

const HERE: fn() -> Value = || json!({"mesh": 0, "primitive": 0});

fn floats() {
    // 0.5 + 0.3 of joint 0 are 0.8.
    let merged = done(&float(with(2, &[(0, 0.5), (1, 0.2), (0, 0.3)])), "merge-influences", HERE());
    assert_eq!(row(&merged, 2).0, [0.0, 1.0, 0.0, 0.0]);
    close(&row(&merged, 2).1, &[0.8, 0.2, 0.0, 0.0]);
    // 0.4 of 0.4 + 0.4 is a half.
    let before = float(with(2, &[(0, 0.4), (1, 0.4)]));
    let renormalised = done(&before, "renormalise-weights", HERE());
    close(&row(&renormalised, 2).1, &[0.5, 0.5, 0.0, 0.0]);
    assert_eq!(renormalised.len(), before.len(), "written where it was");
    assert_eq!(open(&before).text, open(&renormalised).text, "no member is touched");
    let differing = before.iter().zip(&renormalised).filter(|(a, b)| a != b).count();
    assert!(differing <= 8, "{differing} bytes of two weights");
    assert_eq!(one(&renormalised, "renormalise-weights", HERE()), (None, Outcome::Unchanged));
    // −0.5 goes; 0.75 and 0.75 are halves. Infinity goes where something finite is left.
    let clamped = done(&float(with(2, &[(0, 0.75), (1, -0.5), (2, 0.75)])), "clamp-weights", HERE());
    close(&row(&clamped, 2).1, &[0.5, 0.0, 0.5, 0.0]);
    assert_eq!(row(&clamped, 2).0, [0.0, 0.0, 2.0, 0.0]);
    let clamped = done(&float(with(2, &[(1, f32::INFINITY), (2, 0.25)])), "clamp-weights", HERE());
    close(&row(&clamped, 2).1, &[0.0, 1.0, 0.0, 0.0]);
    let only = done(&float(with(2, &[(1, f32::INFINITY)])), "clamp-weights", HERE());
    assert_eq!((row(&only, 2).0[0], row(&only, 2).1[0]), (1.0, 1.0));
    // Joint 9 is none of three: its 0.5 goes and 0.25, 0.25 become halves; an unused slot names joint 0.
    let zeroed =
        done(&float(with(2, &[(9, 0.5), (1, 0.25), (2, 0.25), (2, 0.0)])), "zero-influences", HERE());
    assert_eq!(row(&zeroed, 2).0, [0.0, 1.0, 2.0, 0.0]);
    close(&row(&zeroed, 2).1, &[0.0, 0.5, 0.5, 0.0]);
    // 0.6 and 0.3 of three: 2/3 and 1/3; 0.001 lies below 0.005.
    let most = json!({"mesh": 0, "primitive": 0, "most": 2});
    let trimmed = done(&float(with(2, &[(0, 0.6), (1, 0.1), (2, 0.3)])), "trim-influences", most);
    close(&row(&trimmed, 2).1, &[2.0 / 3.0, 0.0, 1.0 / 3.0, 0.0]);
    let least = json!({"mesh": 0, "primitive": 0, "least": 0.005});
    let trimmed = done(&float(with(2, &[(0, 0.599), (1, 0.001), (2, 0.4)])), "trim-influences", least);
    close(&row(&trimmed, 2).1, &[0.599 / 0.999, 0.0, 0.4 / 0.999, 0.0]);
}

fn bytes() {
    for (weights, most) in [(WeightType::Unorm8, 255.0), (WeightType::Unorm16, 65_535.0)] {
        // The writer does not scale, so a fifth of the weight is missing.
        let rows = vec![vec![(0, 0.3), (1, 0.3), (2, 0.2)]; 9];
        let before = write_glb(&strip(rows), &Storage { weights, ..Storage::default() });
        let after = done(&before, "renormalise-weights", HERE());
        for vertex in 0..9 {
            let sum: f64 = row(&after, vertex).1.iter().map(|w| (w * most).round()).sum();
            assert_eq!(sum, most);
        }
        // 3 : 3 : 2, each rounded once by the writer and once by the repair.
        for (found, share) in row(&after, 4).1.iter().zip([0.375, 0.375, 0.25]) {
            assert!((found - share).abs() <= 2.0 / most + 1e-9);
        }
    }
}

fn moves() {
    let rows = with(2, &[(0, 0.5), (1, 0.25), (2, 0.25)]);
    let cuts = json!({"cuts": [{"mesh": 0, "primitive": 0, "node": 1, "vertices": [2, 4]}]});
    let cut = done(&float(rows.clone()), "cut-influences", cuts);
    close(&row(&cut, 2).1, &[2.0 / 3.0, 0.0, 1.0 / 3.0, 0.0]);
    close(&row(&cut, 4).1, &[1.0, 0.0, 0.0, 0.0]);
    let over = done(&float(rows), "hand-over", json!({"from": 2, "to": 1}));
    close(&row(&over, 2).1, &[0.5, 0.5, 0.0, 0.0]);
    let mut rows = with(2, &[(0, 1.0)]);
    rows[4] = vec![(1, 0.5), (0, 0.5)];
    let seams =
        json!({"mesh": 0, "vertices": [[{"primitive": 0, "vertex": 2}, {"primitive": 0, "vertex": 4}]]});
    let seam = done(&float(rows), "unify-seams", seams);
    for vertex in [2, 4] {
        assert_eq!(row(&seam, vertex).0, [0.0, 1.0, 0.0, 0.0]);
        close(&row(&seam, vertex).1, &[0.75, 0.25, 0.0, 0.0]);
    }
    // The shell of vertex 6 is the triangle apart.
    let mut rows = vec![whole(); 9];
    rows[7] = vec![(1, 0.5), (0, 0.5)];
    let island = json!({"mesh": 0, "islands": [{"primitive": 0, "vertex": 6, "node": 2}]});
    let rigid = done(&float(rows), "rigid-islands", island);
    for vertex in 0..9 {
        assert_eq!(
            (row(&rigid, vertex).0[0], row(&rigid, vertex).1[0]),
            (if vertex >= 6 { 2.0 } else { 0.0 }, 1.0)
        );
    }
}

fn surface() {
    // Along the edges of the strip vertex 1 is next to 0 and 2, 3; of these 0 and 3 are a metre away, 2 by the diagonal.
    // The triangle apart has no edge to the strip: its nearest weighted vertices in space are 4 and 5.
    let mut rows = vec![vec![]; 9];
    rows[0] = vec![(0, 1.0)];
    rows[4] = vec![(1, 1.0)];
    rows[5] = vec![(2, 1.0)];
    let after = done(&float(rows), "weight-from-neighbours", HERE());
    let joint = |vertex: usize| row(&after, vertex).0[0];
    assert_eq!([joint(1), joint(2), joint(3)], [0.0, joint(2), 2.0]);
    assert!(joint(2) == 0.0 || joint(2) == 1.0, "both are a metre away");
    assert_eq!([joint(6), joint(7), joint(8)], [1.0, 2.0, 1.0]);
    assert_eq!(one(&after, "weight-from-neighbours", HERE()).0, None);
    // One pass of half own, half mean of the neighbours moves a jump towards its surroundings; ten leave less than a
    // hundredth of what the neighbours (all of joint 0) do not have: 2⁻¹⁰.
    let smooth = json!({"mesh": 0, "primitive": 0, "vertices": [2]});
    let after = done(&float(with(2, &[(1, 1.0)])), "smooth-weights", smooth);
    let weights = row(&after, 2);
    let left: f64 = weights.0.iter().zip(&weights.1).filter(|(j, _)| **j == 1.0).map(|(_, w)| w).sum();
    assert!((left - 0.5_f64.powi(10)).abs() < 1e-6, "{left}");
}

fn leaves() {
    let mut rows = vec![whole(); 9];
    rows[4] = vec![(2, 0.5), (1, 0.5)];
    let before = float(rows);
    let after = done(&before, "remove-joints", json!({"skin": 0, "nodes": [1]}));
    let file = open(&after);
    assert_eq!(file.json["skins"][0]["joints"], json!([0, 2]));
    assert_eq!((row(&after, 4).0[0], row(&after, 4).1[0]), (1.0, 1.0));
    let binds = file.numbers(file.json["skins"][0]["inverseBindMatrices"].as_u64().unwrap() as usize);
    assert_eq!(binds.iter().map(|m| m[12]).collect::<Vec<_>>(), [0.0, -2.0]);
    assert!(matches!(
        one(&before, "remove-joints", json!({"skin": 0, "nodes": [0, 1, 2]})).1,
        Outcome::Refused(_)
    ));
}

/// The strip's document and binary chunk, to be changed by hand.
pub(crate) fn parts(rows: Vec<Vec<(u16, f32)>>) -> (Value, Vec<u8>) {
    let file = open(&float(rows));
    (file.json, file.bin)
}

pub(crate) fn glb(document: &Value, bin: &[u8]) -> Vec<u8> {
    let mut text = document.to_string().into_bytes();
    text.resize(text.len().next_multiple_of(4), b' ');
    let mut out = b"glTF".to_vec();
    for word in [2, 28 + text.len() + bin.len(), text.len()] {
        out.extend((word as u32).to_le_bytes());
    }
    out.extend(b"JSON");
    out.extend(text);
    out.extend((bin.len() as u32).to_le_bytes());
    out.extend(b"BIN\0");
    out.extend(bin);
    out
}

fn shared() {
    // A second mesh under no skin uses the same accessors: it keeps its weights, the first gets others.
    let (mut document, bin) = parts(vec![vec![(0, 0.4), (1, 0.4)]; 9]);
    let mesh = document["meshes"][0].clone();
    document["meshes"].as_array_mut().unwrap().push(mesh);
    let before = glb(&document, &bin);
    let after = done(&before, "renormalise-weights", HERE());
    let (old, new) = (open(&before), open(&after));
    let weights = |file: &crate::scene::File, mesh: usize| {
        file.json["meshes"][mesh]["primitives"][0]["attributes"]["WEIGHTS_0"].as_u64().unwrap() as usize
    };
    close(&new.numbers(weights(&new, 0))[3], &[0.5, 0.5, 0.0, 0.0]);
    assert_eq!(weights(&old, 1), weights(&new, 1));
    assert_eq!(new.bin[..bin.len()], bin[..], "nothing is overwritten");
    let pointers = changed(&old.text, &new.text);
    let allowed = [
        "/accessors/*",
        "/bufferViews/*",
        "/buffers/0/byteLength",
        "/meshes/0/primitives/0/attributes/WEIGHTS_0",
    ];
    let accessors = document["accessors"].as_array().unwrap().len();
    assert!(pointers.iter().all(|p| among(p, &allowed)), "{pointers:?}");
    assert!(pointers.contains(&format!("/accessors/{accessors}")), "{pointers:?}");
    // Both of them in one go share one accessor again, in place.
    let second = Fix::Repair {
        applicability: Applicability::Safe,
        name: "renormalise-weights".into(),
        arguments: json!({"mesh": 1, "primitive": 0}),
        summary: String::new(),
    };
    let Fix::Repair { arguments, .. } = &second else { unreachable!() };
    assert_eq!(arguments["mesh"], 1);
    let mut first = second.clone();
    if let Fix::Repair { arguments, .. } = &mut first {
        *arguments = HERE();
    }
    let (both, outcomes) = apply_fixes(&alone(&before), &Limits::default(), &[first, second]).unwrap();
    assert_eq!(outcomes, [Outcome::Applied, Outcome::Applied]);
    assert_eq!(open(&both.unwrap()).text, old.text);
}

fn interleaved() {
    // Positions (12 bytes), joints (8) and weights (16) of a vertex one after the other, 36 bytes a vertex.
    let (mut document, bin) = parts(vec![vec![(0, 0.4), (1, 0.4)]; 9]);
    let file = open(&glb(&document, &bin));
    let attributes = document["meshes"][0]["primitives"][0]["attributes"].clone();
    let index = |name: &str| attributes[name].as_u64().unwrap() as usize;
    let names = ["POSITION", "JOINTS_0", "WEIGHTS_0"];
    let rows: Vec<Vec<Vec<u8>>> = names
        .iter()
        .map(|name| file.raw(index(name)).unwrap().into_iter().map(<[u8]>::to_vec).collect())
        .collect();
    let mut all = bin.clone();
    let start = all.len();
    for vertex in 0..9 {
        for row in &rows {
            all.extend(&row[vertex]);
        }
    }
    let view = document["bufferViews"].as_array().unwrap().len();
    document["bufferViews"].as_array_mut().unwrap().push(
        json!({"buffer": 0, "byteOffset": start, "byteLength": 9 * 36, "byteStride": 36, "target": 34962}),
    );
    for (name, offset) in names.iter().zip([0, 12, 20]) {
        let accessor = &mut document["accessors"][index(name)];
        accessor["bufferView"] = json!(view);
        accessor["byteOffset"] = json!(offset);
    }
    document["buffers"][0]["byteLength"] = json!(all.len());
    let before = glb(&document, &all);
    let after = done(&before, "renormalise-weights", HERE());
    let (old, new) = (open(&before), open(&after));
    assert_eq!(old.text, new.text);
    close(&new.numbers(index("WEIGHTS_0"))[8], &[0.5, 0.5, 0.0, 0.0]);
    for name in ["POSITION", "JOINTS_0"] {
        assert_eq!(old.raw(index(name)), new.raw(index(name)));
    }
    assert_eq!(old.bin[..start], new.bin[..start]);
}

fn inline() {
    use base64::Engine as _;
    let base64 = base64::engine::general_purpose::STANDARD;
    let (mut document, bin) = parts(vec![vec![(0, 0.4), (1, 0.4)]; 9]);
    document["buffers"][0]["uri"] =
        json!(format!("data:application/gltf-buffer;base64,{}", base64.encode(&bin)));
    let before = serde_json::to_string_pretty(&document).unwrap().into_bytes();
    let after = done(&before, "renormalise-weights", HERE());
    let pointers = changed(&String::from_utf8(before).unwrap(), &String::from_utf8(after.clone()).unwrap());
    assert_eq!(pointers, ["/buffers/0/uri"]);
    let json: Value = serde_json::from_slice(&after).unwrap();
    let uri = json["buffers"][0]["uri"].as_str().unwrap();
    let bytes = base64.decode(uri.strip_prefix("data:application/gltf-buffer;base64,").unwrap()).unwrap();
    close(&row(&glb(&document, &bytes), 3).1, &[0.5, 0.5, 0.0, 0.0]);
    // Bytes beside the document are not ours to write: the new ones come in a buffer of their own.
    document["buffers"][0]["uri"] = json!("body.bin");
    let before = document.to_string().into_bytes();
    let upload = condyle_core::intake::Upload { name: "body.bin", bytes: &bin };
    let mut bundle = alone(&before);
    bundle.files.push(upload);
    let out = repaired(&bundle, &Which::Safe).unwrap();
    assert!(out.listing.changes.iter().any(|change| change.fixed.check == "skin/sum"), "{:?}", out.listing);
    let json: Value = serde_json::from_slice(&out.bytes).unwrap();
    assert_eq!(json["buffers"][0], document["buffers"][0]);
    assert_eq!(json["buffers"].as_array().unwrap().len(), 2);
    let bytes = out.bytes.clone();
    let mut again = alone(&bytes);
    again.files.push(upload);
    assert_eq!(repaired(&again, &Which::Safe).unwrap().bytes, out.bytes);
}

const PLAN: &str = "\u{feff}{\r\n  \"schema\": \"condyle.plan/1\",\t\"asset\":\"stilt-heron\",\n  \"joints\" : [\n    {\"name\": \"hips\", \"origin\": [0, 1.00, 0e0], \"tip\": [0, 1.2, 0], \"parent\": null},\n    {\"tip\": [0, 16e-1, 0], \"parent\": \"hisp\" , \"name\": \"chest\", \"origin\": [0, 1.2, 0],\n     \"orientation\": [0, 0, 0, 1.10]}\n  ]\n}\n\n";

fn plan_text() {
    let out = repaired(&alone(PLAN.as_bytes()), &Which::Safe).unwrap();
    let after = String::from_utf8(out.bytes.clone()).unwrap();
    let expected = PLAN.replace("\"hisp\"", "\"hips\"").replace("1.10", "1.0");
    assert_eq!(after, expected);
    for check in ["structure/unknown-parent", "orientation/not-rigid"] {
        assert!(out.listing.changes.iter().any(|change| change.fixed.check == check), "{check}");
    }
    assert!(out.listing.opened.is_empty() && out.listing.conflicts.is_empty());
    let again = repaired(&alone(&out.bytes), &Which::Review).unwrap();
    assert_eq!(again.bytes, out.bytes);
    assert_eq!(again.listing.before_sha256, again.listing.after_sha256);
}

/// Against the crate `json-patch`, an implementation of RFC 6902 that is not ours.
fn patches() {
    let text = r#"{"a": [1, {"b": 2.50}, "c"], "d/e": {"f~": null}, "g": []}"#;
    let source: Value = serde_json::from_str(text).unwrap();
    let cases = [
        json!([{"op": "add", "path": "/a/1", "value": 9}]),
        json!([{"op": "remove", "path": "/a/0"}, {"op": "replace", "path": "/a/0/b", "value": [3]}]),
        json!([{"op": "add", "path": "/d~1e/f~0", "value": {"x": 1}}, {"op": "remove", "path": "/d~1e/f~0/x"}]),
        json!([{"op": "add", "path": "/g/-", "value": 1}, {"op": "add", "path": "/g/0", "value": 0}]),
        json!([{"op": "test", "path": "/a/1/b", "value": 2.5}, {"op": "remove", "path": "/g"}]),
        json!([{"op": "remove", "path": "/g"}, {"op": "remove", "path": "/g"}]),
        json!([{"op": "replace", "path": "/nothing", "value": 1}]),
        json!([{"op": "add", "path": "/a/7", "value": 1}]),
    ];
    let plan = |value: &Value| {
        let mut plan = json!({"schema": "condyle.plan/1", "asset": "x", "joints": [{"name": "hips", "origin": [0, 0, 0]}]});
        plan["extras"] = value.clone();
        plan
    };
    for case in cases {
        let below: Vec<PatchOp> = serde_json::from_value(case.clone()).unwrap();
        let below: Vec<PatchOp> =
            below.into_iter().map(|op| PatchOp { path: format!("/extras{}", op.path), ..op }).collect();
        let mut expected = source.clone();
        let patch: json_patch::Patch = serde_json::from_value(case.clone()).unwrap();
        let fits = json_patch::patch(&mut expected, &patch).is_ok();
        let fix = Fix::Patch { applicability: Applicability::Safe, summary: String::new(), patch: below };
        let bytes = plan(&source).to_string().into_bytes();
        let (out, outcomes) = apply_fixes(&alone(&bytes), &Limits::default(), &[fix]).unwrap();
        let after: Value = serde_json::from_slice(out.as_deref().unwrap_or(&bytes)).unwrap();
        assert_eq!(after, plan(if fits { &expected } else { &source }), "{case}");
        assert_eq!(fits, !matches!(outcomes[0], Outcome::Refused(_)), "{case} {outcomes:?}");
    }
}

fn fingerprints() {
    let bytes = PLAN.replace('\u{feff}', "").into_bytes();
    let error = repaired(&alone(&bytes), &Which::Chosen(vec!["0".repeat(32)]));
    assert!(matches!(error, Err(RepairError::UnknownFingerprint { at: 0, .. })));
    let all = repaired(&alone(&bytes), &Which::Safe).unwrap();
    let only = &all.listing.changes[0].fixed;
    let slip = only.fingerprint[..12].to_owned();
    let Err(RepairError::UnknownFingerprint { suggestion, .. }) =
        repaired(&alone(&bytes), &Which::Chosen(vec![slip]))
    else {
        panic!("a shortened fingerprint is none")
    };
    assert_eq!(suggestion.as_ref(), Some(&only.fingerprint));
    let one = repaired(&alone(&bytes), &Which::Chosen(vec![only.fingerprint.clone()])).unwrap();
    assert_eq!(one.listing.changes.len(), 1);
    assert_eq!(one.listing.changes[0].fixed.fingerprint, only.fingerprint);
    // Two fixes of one member: the first is applied, the other is told, and neither by half.
    let set = |name: &str| Fix::Patch {
        applicability: Applicability::Safe,
        summary: String::new(),
        patch: vec![
            PatchOp::set("/joints/0/tip", json!([0, 2, 0])),
            PatchOp::set("/joints/0/name", json!(name)),
        ],
    };
    let (out, outcomes) =
        apply_fixes(&alone(&bytes), &Limits::default(), &[set("pelvis"), set("root")]).unwrap();
    assert!(
        matches!(&outcomes[1], Outcome::Clash(clash) if clash.path == "/joints/0/name" && clash.with == 0)
    );
    let after: Value = serde_json::from_slice(&out.unwrap()).unwrap();
    assert_eq!(after["joints"][0]["name"], "pelvis");
}

fn hostile() {
    let before = float(with(2, &[(0, 0.4), (1, 0.4)]));
    let odd = [
        json!(null),
        json!(-1),
        json!(7),
        json!(1e300),
        json!("x"),
        json!([]),
        json!([[{}]]),
        json!([{"node": 99}]),
        json!([0, 0, 0]),
        json!([18_446_744_073_709_551_615_u64]),
    ];
    let keys = [
        "mesh",
        "primitive",
        "nodes",
        "pairs",
        "normal",
        "offset",
        "skin",
        "axis",
        "cuts",
        "vertices",
        "islands",
        "from",
        "to",
        "clip",
        "channel",
        "channels",
        "factor",
        "rotation",
        "node",
        "name",
        "most",
        "least",
        "parent",
        "bones",
        "pointer",
        "waivers",
    ];
    for name in repair_names() {
        for (at, value) in odd.iter().enumerate() {
            let mut arguments = serde_json::Map::new();
            for (number, key) in keys.iter().enumerate() {
                let value = if (number + at) % 3 == 0 { json!(0) } else { value.clone() };
                arguments.insert((*key).into(), value);
            }
            let (out, _) = one(&before, name, Value::Object(arguments));
            if let Some(out) = out {
                assert!(repaired(&alone(&out), &Which::Safe).is_ok(), "{name}");
            }
        }
        assert!(matches!(one(&before, name, json!(null)).1, Outcome::Refused(_)), "{name}");
    }
    // Broken files that can still be read are repaired or left, never worse.
    let mut seed = 11_u64;
    let mut next = |most: usize| {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (seed >> 33) as usize % most
    };
    for _ in 0..400 {
        let mut bytes = before.clone();
        for _ in 0..=next(4) {
            let at = 20 + next(bytes.len() - 20);
            bytes[at] = if next(2) == 0 { next(256) as u8 } else { b"0123456789[]{},:\" "[next(18)] };
        }
        match repaired(&alone(&bytes), &Which::Review) {
            Ok(out) => assert!(out.bytes.len() < 9 * bytes.len() + (1 << 20)),
            Err(RepairError::Broken(reason)) => panic!("{reason}"),
            Err(_) => {}
        }
    }
}
