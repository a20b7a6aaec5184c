//! The binary `condyle` on figures: what it writes, and its exit codes.
#![expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use std::path::Path;
use std::process::{Command, Output};

use roxmltree::Document;

fn condyle(arguments: &[&str], paths: &[&Path]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_condyle")).args(arguments).args(paths).output().unwrap()
}

const PLAN: &str = r#"{"schema": "condyle.plan/1", "asset": "heron", "joints": [
    {"name": "hips", "origin": [0, 1, 0], "tip": [0, 1.2, 0], "parent": null},
    {"name": "chest", "origin": [0, 1.2, 0], "tip": [0, 2, 0], "parent": "hisp"}]}"#;

#[test]
fn a_plan_is_drawn_and_the_exit_code_is_the_gates_where_there_is_one() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    std::fs::write(at("heron.plan.json"), PLAN).unwrap();
    let plan = at("heron.plan.json");
    let to = |name: &str| at(name).to_string_lossy().into_owned();
    let done = condyle(&["figure", "--as-of", "2026-11-25", "-o", &to("out.svg")], &[&plan]);
    assert_eq!(done.status.code(), Some(0), "{}", String::from_utf8_lossy(&done.stderr));
    let written = std::fs::read_to_string(at("out.svg")).unwrap();
    let document = Document::parse(&written).unwrap();
    assert!(
        document.descendants().any(|node| node.attribute("data-check") == Some("structure/unknown-parent"))
    );
    let shown = condyle(&["figure", "--as-of", "2026-11-25", "-o", "-"], &[&plan]);
    assert_eq!(String::from_utf8(shown.stdout).unwrap(), written, "the same to standard output");
    let gated = condyle(&["figure", "--fail-on", "error", "-o", &to("gate.svg")], &[&plan]);
    assert_eq!(gated.status.code(), Some(1));
    assert!(at("gate.svg").exists(), "the picture is there all the same");
    assert_eq!(condyle(&["figure", "-o", "-"], &[&at("nowhere.glb")]).status.code(), Some(2));
    assert_eq!(condyle(&["figure", "-o", "-", "--views", "back"], &[&plan]).status.code(), Some(2));
    assert_eq!(condyle(&["figure", "-o", &to("no/such/folder.svg")], &[&plan]).status.code(), Some(2));
    assert_eq!(condyle(&["figure"], &[&plan]).status.code(), Some(2), "where to is not guessed");
}

#[test]
fn a_page_holds_its_figures_and_markdown_refers_to_files() {
    let folder = tempfile::tempdir().unwrap();
    let plan = folder.path().join("heron.plan.json");
    std::fs::write(&plan, PLAN).unwrap();
    let page = String::from_utf8(condyle(&["check", "--format", "html"], &[&plan]).stdout).unwrap();
    assert!(page.contains("<figure><svg ") && !page.contains("<script"));
    let figures = folder.path().join("the figures");
    let arguments = ["check", "--format", "markdown", "--figures", &figures.to_string_lossy()];
    let text = String::from_utf8(condyle(&arguments, &[&plan]).stdout).unwrap();
    assert!(text.contains("the%20figures/heron.plan.json.svg>)"), "{text}");
    Document::parse(&std::fs::read_to_string(figures.join("heron.plan.json.svg")).unwrap()).unwrap();
    let plain = String::from_utf8(condyle(&["check", "--format", "markdown"], &[&plan]).stdout).unwrap();
    assert!(!plain.contains("!["));
}
