//! `condyle repair` as a process.
#![expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use std::path::Path;
use std::process::{Command, Output};

use serde_json::Value;

const PLAN: &str = "{\n  \"schema\": \"condyle.plan/1\", \"asset\": \"stilt-heron\",\n  \"joints\": [\n    {\"name\": \"hips\", \"origin\": [0, 1.00, 0], \"tip\": [0, 1.2, 0], \"parent\": null},\n    {\"name\": \"chest\", \"origin\": [0, 1.2, 0], \"tip\": [0, 1.6, 0], \"parent\": \"hisp\"}\n  ]\n}\n";

fn condyle(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_condyle")).current_dir(folder).args(arguments).output().unwrap()
}

fn json(output: &Output) -> Value {
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

#[test]
fn a_plan_is_repaired_into_another_file_and_into_itself() {
    let folder = tempfile::tempdir().unwrap();
    let (from, to) = (folder.path().join("heron.plan.json"), folder.path().join("out.plan.json"));
    std::fs::write(&from, PLAN).unwrap();
    let dry = json(&condyle(folder.path(), &["repair", "heron.plan.json", "--dry-run", "--format", "json"]));
    assert_eq!(dry["repairs"], "condyle.repairs/1");
    assert_eq!(dry["changes"][0]["check"], "structure/unknown-parent");
    assert!(!to.exists() && std::fs::read_to_string(&from).unwrap() == PLAN);
    let expected = PLAN.replace("\"hisp\"", "\"hips\"");
    let text = condyle(folder.path(), &["repair", "heron.plan.json", "-o", "out.plan.json"]);
    assert_eq!(text.status.code(), Some(0));
    assert!(String::from_utf8_lossy(&text.stdout).contains("1 fixed; errors 1 to 0"), "{text:?}");
    assert_eq!(std::fs::read_to_string(&to).unwrap(), expected);
    let fingerprint = dry["changes"][0]["fingerprint"].as_str().unwrap();
    let only = ["repair", "heron.plan.json", "-o", "heron.plan.json", "--only", fingerprint];
    assert_eq!(condyle(folder.path(), &only).status.code(), Some(0));
    assert_eq!(std::fs::read_to_string(&from).unwrap(), expected);
    let again = json(&condyle(
        folder.path(),
        &["repair", "out.plan.json", "--dry-run", "--review", "--format", "json"],
    ));
    assert_eq!(again["before_sha256"], again["after_sha256"]);
}

#[test]
fn usage_and_broken_input_are_2_and_say_why() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("heron.plan.json"), PLAN).unwrap();
    std::fs::write(folder.path().join("broken.json"), "{").unwrap();
    let told = |arguments: &[&str]| {
        let output = condyle(folder.path(), arguments);
        assert_eq!(output.status.code(), Some(2), "{arguments:?}");
        String::from_utf8_lossy(&output.stderr).into_owned()
    };
    assert!(told(&["repair", "heron.plan.json"]).contains("--output"));
    assert!(
        told(&["repair", "heron.plan.json", "--dry-run", "--only", "00ff"])
            .contains("no finding has the fingerprint 00ff")
    );
    assert!(told(&["repair", "broken.json", "--dry-run"]).contains("broken.json"));
    assert!(told(&["repair", "absent.glb", "--dry-run"]).contains("absent.glb"));
    assert!(
        told(&["repair", "heron.plan.json", "--dry-run", "--profile", "flim"]).contains("did you mean film?")
    );
}
