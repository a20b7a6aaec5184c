//! `condyle check` under a version of the catalogue.
#![expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use std::process::{Command, Output};

use serde_json::{Value, json};

fn condyle(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_condyle")).args(arguments).output().unwrap()
}

/// One triangle on one joint, below a node that is moved: `bind/ignored-transform`, which came with 1.0.0, finds it.
fn moved() -> Value {
    let mut bytes: Vec<u8> = Vec::new();
    for number in [0.0_f32, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0, 0.0] {
        bytes.extend(number.to_le_bytes());
    }
    bytes.extend([0; 12]);
    for _ in 0..3 {
        for number in [1.0_f32, 0.0, 0.0, 0.0] {
            bytes.extend(number.to_le_bytes());
        }
    }
    json!({
        "asset": {"version": "2.0"}, "scene": 0, "scenes": [{"nodes": [0, 1]}],
        "nodes": [{"name": "hips"}, {"name": "body", "mesh": 0, "skin": 0, "translation": [0, 3, 0]}],
        "skins": [{"joints": [0]}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0, "JOINTS_0": 1, "WEIGHTS_0": 2}}]}],
        "accessors": [
            {"bufferView": 0, "componentType": 5126, "count": 3, "type": "VEC3", "min": [0, 0, 0], "max": [1, 1, 0]},
            {"bufferView": 1, "componentType": 5121, "count": 3, "type": "VEC4"},
            {"bufferView": 2, "componentType": 5126, "count": 3, "type": "VEC4"},
        ],
        "bufferViews": [
            {"buffer": 0, "byteOffset": 0, "byteLength": 36},
            {"buffer": 0, "byteOffset": 36, "byteLength": 12},
            {"buffer": 0, "byteOffset": 48, "byteLength": 48},
        ],
        "buffers": [{"byteLength": bytes.len(), "uri": "moved.bin"}],
        "extras": {"bytes": bytes},
    })
}

#[test]
fn a_version_is_chosen_and_an_unknown_one_is_told_with_the_nearest() {
    let folder = tempfile::tempdir().unwrap();
    let mut document = moved();
    let bytes: Vec<u8> = serde_json::from_value(document["extras"]["bytes"].take()).unwrap();
    document.as_object_mut().unwrap().remove("extras");
    std::fs::write(folder.path().join("moved.bin"), bytes).unwrap();
    let file = folder.path().join("moved.gltf");
    std::fs::write(&file, document.to_string()).unwrap();
    let file = file.to_str().unwrap();
    let report = |version: &str| -> Value {
        let out = condyle(&["check", "--format", "json", "--catalogue", version, file]);
        serde_json::from_slice(&out.stdout).unwrap()
    };
    let finds = |report: &Value| {
        let list = report["findings"].as_array().unwrap();
        list.iter().any(|one| one["check"] == "bind/ignored-transform")
    };
    let (then, now) = (report("0.9.0"), report("1.0.0"));
    assert_eq!((then["catalogue"].as_str(), finds(&then)), (Some("0.9.0"), false));
    assert_eq!((now["catalogue"].as_str(), finds(&now)), (Some("1.0.0"), true));
    let wrong = condyle(&["check", "--catalogue", "0.9.1", file]);
    assert_eq!(wrong.status.code(), Some(2));
    let told = String::from_utf8(wrong.stderr).unwrap();
    assert!(told.contains("no version 0.9.1 of the catalogue was released (did you mean 0.9.0?)"), "{told}");
}

/// A file that cannot be read is named wherever the reports of the others go.
#[test]
fn what_cannot_be_read_is_named_in_every_form() {
    let folder = tempfile::tempdir().unwrap();
    let plan = json!({"schema": "condyle.plan/1", "asset": "eel", "joints": [
        {"name": "hips", "origin": [0, 1, 0], "tip": [0, 1.2, 0], "parent": null}]});
    std::fs::write(folder.path().join("eel.plan.json"), plan.to_string()).unwrap();
    std::fs::write(folder.path().join("junk.glb"), "glTF").unwrap();
    let run = |form: &str, paths: &[&str]| -> String {
        let mut command = Command::new(env!("CARGO_BIN_EXE_condyle"));
        command.current_dir(folder.path()).args(["check", "--format", form]).args(paths);
        let output = command.output().unwrap();
        assert_eq!(output.status.code(), Some(2), "{form}");
        let told = String::from_utf8(output.stderr).unwrap();
        assert!(told.starts_with("condyle: junk.glb: "), "{form}: {told}");
        String::from_utf8(output.stdout).unwrap()
    };
    let forms =
        ["text", "json", "ndjson", "sarif", "junit", "markdown", "html", "annotations", "code-quality"];
    for form in forms {
        let out = run(form, &["eel.plan.json", "junk.glb"]);
        assert!(out.contains("junk.glb"), "{form}: {out}");
    }
    let text = run("text", &["eel.plan.json", "junk.glb"]);
    assert!(
        text.contains("     junk.glb cannot be read: ") && text.contains("1 could not be read"),
        "{text}"
    );
    let list: Value = serde_json::from_str(&run("json", &["eel.plan.json", "junk.glb"])).unwrap();
    assert_eq!(list[0]["report"], "condyle.report/1");
    assert_eq!((&list[1]["unread"], &list[1]["file"]), (&json!("condyle.unread/1"), &json!("junk.glb")));
    assert!(list[1]["error"].as_str().is_some_and(|text| text.len() > 5), "{list}");
    let alone: Value = serde_json::from_str(&run("json", &["junk.glb"])).unwrap();
    assert_eq!(alone["unread"], "condyle.unread/1");
    let lines = run("ndjson", &["eel.plan.json", "junk.glb"]);
    let lines: Vec<Value> = lines.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    assert_eq!(lines[1], list[1]);
    // And what was printed is a baseline all the same.
    std::fs::write(folder.path().join("last.json"), list.to_string()).unwrap();
    let against = run("text", &["--baseline", "last.json", "eel.plan.json", "junk.glb"]);
    assert!(against.contains("against the baseline: 0 new · 0 fixed"), "{against}");
}
