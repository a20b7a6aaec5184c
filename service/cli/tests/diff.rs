//! The binary `condyle` on differences: what it prints, and its exit codes.
#![expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use std::path::Path;
use std::process::{Command, Output};

fn condyle(arguments: &[&str], paths: &[&Path]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_condyle")).args(arguments).args(paths).output().unwrap()
}

const PLAN: &str = r#"{"schema": "condyle.plan/1", "asset": "heron", "joints": [
    {"name": "hips", "origin": [0, 1, 0], "tip": [0, 1.2, 0], "parent": null},
    {"name": "chest", "origin": [0, 1.2, 0], "tip": [0, 2, 0], "parent": "hips"}]}"#;

#[test]
fn files_and_reports_are_compared_and_the_exit_code_is_the_gates() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    let (old, new) = (at("old.plan.json"), at("new.plan.json"));
    std::fs::write(&old, PLAN).unwrap();
    std::fs::write(&new, PLAN.replace("\"parent\": \"hips\"", "\"parent\": \"hisp\"")).unwrap();
    let worse = condyle(&["diff"], &[&old, &new]);
    assert_eq!(worse.status.code(), Some(1));
    let text = String::from_utf8(worse.stdout).unwrap();
    assert!(
        text.contains("new   error chest hangs from hisp") && text.contains("joint reparented chest"),
        "{text}"
    );
    for (form, begins) in [("markdown", "### "), ("html", "<!doctype html>"), ("sarif", "{")] {
        let told = String::from_utf8(condyle(&["diff", "--format", form], &[&old, &new]).stdout).unwrap();
        assert!(told.starts_with(begins) && told.contains("chest hangs from hisp"), "{form}: {told}");
        assert_eq!(form != "sarif", told.contains("joint reparented"), "{form}: {told}");
    }
    assert_eq!(condyle(&["diff", "--fail-on", "never"], &[&old, &new]).status.code(), Some(0));
    assert_eq!(condyle(&["diff"], &[&new, &old]).status.code(), Some(0), "it got better");
    for (from, to) in [(&old, "old.json"), (&new, "new.json")] {
        let report = condyle(&["check", "--format", "json", "--as-of", "2026-11-25"], &[from]).stdout;
        std::fs::write(at(to), report).unwrap();
    }
    let reports = condyle(&["diff", "--json"], &[&at("old.json"), &at("new.json")]);
    assert_eq!(reports.status.code(), Some(1));
    let json: serde_json::Value = serde_json::from_slice(&reports.stdout).unwrap();
    assert_eq!(json["findings"]["new"][0]["cause"], "asset");
    assert!(json["skeleton"].is_null());
    let missing = condyle(&["diff"], &[&old, &at("nowhere.glb")]);
    assert_eq!(missing.status.code(), Some(2));
    let broken = at("broken.glb");
    std::fs::write(&broken, "glTF").unwrap();
    assert_eq!(condyle(&["diff"], &[&old, &broken]).status.code(), Some(2));
    if cfg!(feature = "server") {
        reach_for_a_service(folder.path());
    }
}

fn reach_for_a_service(folder: &Path) {
    let at = |name: &str| folder.join(name);
    // Nobody listens there: that is the service's side.
    let unreached = condyle(&["export", "tidepool", "--server", "http://127.0.0.1:9", "-o"], &[&at("x.tar")]);
    assert_eq!(unreached.status.code(), Some(3));
    assert!(!at("x.tar").exists());
    assert_eq!(condyle(&["backup", "--data-dir"], &[folder, &at("copy")]).status.code(), Some(2));
}
