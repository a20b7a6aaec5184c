//! `condyle watch` as a process, with real files that are written, replaced and deleted.
#![expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use std::io::{BufRead as _, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

use serde_json::{Value, json};

/// For one line. A machine with much to do is slow, and no test waits for it.
const PATIENCE: Duration = Duration::from_secs(30);

/// Ended when dropped.
struct Watch {
    child: Child,
    lines: Receiver<Value>,
}

impl Watch {
    fn start(folder: &Path, more: &[&str]) -> Self {
        let mut child = Command::new(env!("CARGO_BIN_EXE_condyle"))
            .current_dir(folder)
            .args(["watch", "--format", "ndjson", "--only", "structure"])
            .args(more)
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let output = child.stdout.take().unwrap();
        let (sender, lines) = channel();
        std::thread::spawn(move || {
            for line in BufReader::new(output).lines().map_while(Result::ok) {
                let _ = sender.send(serde_json::from_str(&line).unwrap());
            }
        });
        Self { child, lines }
    }

    fn next(&self) -> Value {
        self.lines.recv_timeout(PATIENCE).unwrap()
    }

    /// The next line about a file that says `event`; a file that is seen half written may be told as broken before.
    fn next_is(&self, file: &str, event: &str) -> Value {
        loop {
            let line = self.next();
            if line["event"] == "broken" && event != "broken" {
                continue;
            }
            assert_eq!((line["file"].as_str(), line["event"].as_str()), (Some(file), Some(event)), "{line}");
            return line;
        }
    }
}

impl Drop for Watch {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn plan(parent: &str) -> String {
    json!({
        "schema": "condyle.plan/1", "asset": "lantern-eel",
        "joints": [
            {"name": "hips", "origin": [0, 1, 0], "tip": [0, 1.2, 0], "parent": null},
            {"name": "lure", "origin": [0, 1.2, 0], "tip": [0, 1.6, 0], "parent": parent},
        ]
    })
    .to_string()
}

fn checks(list: &Value) -> Vec<&str> {
    list.as_array().unwrap().iter().map(|one| one["check"].as_str().unwrap()).collect()
}

#[test]
fn what_a_save_changed_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    std::fs::create_dir(at("deep")).unwrap();
    std::fs::write(at("deep/eel.plan.json"), plan("hips")).unwrap();
    let watch = Watch::start(folder.path(), &["."]);
    let first = watch.next_is("deep/eel.plan.json", "first");
    assert_eq!(first["verdict"], "pass", "{first}");
    assert_eq!(watch.next()["event"], "ready");

    std::fs::write(at("deep/eel.plan.json"), plan("hisp")).unwrap();
    let worse = watch.next_is("deep/eel.plan.json", "changed");
    assert!(checks(&worse["new"]).contains(&"structure/unknown-parent"), "{worse}");
    assert_eq!((worse["verdict"].as_str(), checks(&worse["fixed"]).len()), (Some("fail"), 0));

    // As careful programs save: another file takes its place.
    std::fs::write(at("deep/eel.saving"), plan("hips")).unwrap();
    std::fs::rename(at("deep/eel.saving"), at("deep/eel.plan.json")).unwrap();
    let better = watch.next_is("deep/eel.plan.json", "changed");
    assert!(checks(&better["fixed"]).contains(&"structure/unknown-parent"), "{better}");

    // Saved as it was, and a file that is none of ours: nothing to tell. The new one is.
    std::fs::write(at("deep/eel.plan.json"), plan("hips")).unwrap();
    std::fs::write(at("notes.txt"), "x").unwrap();
    std::fs::write(at("heron.plan.json"), "{").unwrap();
    assert!(watch.next_is("heron.plan.json", "broken")["error"].as_str().unwrap().len() > 5);
    std::fs::write(at("heron.plan.json"), plan("hips")).unwrap();
    watch.next_is("heron.plan.json", "first");
    std::fs::remove_file(at("heron.plan.json")).unwrap();
    watch.next_is("heron.plan.json", "gone");
}

#[test]
fn a_model_is_looked_at_again_when_its_buffer_is_saved() {
    let folder = tempfile::tempdir().unwrap();
    let (document, bin) = condyle_tests::triangle(Some("crab.bin"));
    std::fs::write(folder.path().join("crab.bin"), &bin).unwrap();
    std::fs::write(folder.path().join("crab.gltf"), document.to_string()).unwrap();
    let watch = Watch::start(folder.path(), &["crab.gltf", "--only", "skin"]);
    watch.next_is("crab.gltf", "first");
    assert_eq!(watch.next()["event"], "ready");
    let mut other = bin.clone();
    // The first weight: 1.0 becomes 0.5 (IEEE 754), so that the weights of a vertex no longer sum to one.
    other[48..52].copy_from_slice(&0.5_f32.to_le_bytes());
    std::fs::write(folder.path().join("crab.bin"), &other).unwrap();
    let changed = watch.next_is("crab.gltf", "changed");
    assert!(!checks(&changed["new"]).is_empty(), "{changed}");
}

#[test]
fn what_was_broken_and_is_as_it_was_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let eel = folder.path().join("eel.plan.json");
    std::fs::write(&eel, plan("hisp")).unwrap();
    let watch = Watch::start(folder.path(), &["."]);
    let first = watch.next_is("eel.plan.json", "first");
    assert_eq!(watch.next()["event"], "ready");
    std::fs::write(&eel, "{").unwrap();
    watch.next_is("eel.plan.json", "broken");
    std::fs::write(&eel, plan("hisp")).unwrap();
    let again = watch.next_is("eel.plan.json", "changed");
    assert_eq!((checks(&again["new"]).len(), checks(&again["fixed"]).len()), (0, 0), "{again}");
    assert_eq!((&again["verdict"], &again["counts"]), (&first["verdict"], &first["counts"]));
}

#[test]
fn a_model_first_seen_with_half_its_buffer_is_looked_at_when_that_is_whole() {
    let folder = tempfile::tempdir().unwrap();
    let (document, bin) = condyle_tests::triangle(Some("crab.bin"));
    std::fs::write(folder.path().join("crab.gltf"), document.to_string()).unwrap();
    std::fs::write(folder.path().join("crab.bin"), &bin[..4]).unwrap();
    let watch = Watch::start(folder.path(), &["."]);
    watch.next_is("crab.gltf", "broken");
    assert_eq!(watch.next()["event"], "ready");
    std::fs::write(folder.path().join("crab.bin"), &bin).unwrap();
    watch.next_is("crab.gltf", "first");
}

#[test]
fn what_is_in_a_folder_that_is_moved_in_is_looked_at() {
    let folder = tempfile::tempdir().unwrap();
    let (watched, outside) = (folder.path().join("rigs"), folder.path().join("outside"));
    std::fs::create_dir(&watched).unwrap();
    std::fs::create_dir_all(outside.join("small")).unwrap();
    std::fs::write(outside.join("small/eel.plan.json"), plan("hips")).unwrap();
    let watch = Watch::start(&watched, &["."]);
    assert_eq!(watch.next()["event"], "ready");
    std::fs::rename(&outside, watched.join("inside")).unwrap();
    watch.next_is("inside/small/eel.plan.json", "first");
}

#[test]
fn a_folder_whose_changes_nobody_tells_is_polled() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("eel.plan.json"), plan("hips")).unwrap();
    let watch = Watch::start(folder.path(), &[".", "--poll", "1"]);
    watch.next_is("eel.plan.json", "first");
    assert_eq!(watch.next()["event"], "ready");
    std::thread::sleep(Duration::from_millis(1_100));
    std::fs::write(folder.path().join("eel.plan.json"), plan("hisp")).unwrap();
    let worse = watch.next_is("eel.plan.json", "changed");
    assert!(checks(&worse["new"]).contains(&"structure/unknown-parent"), "{worse}");
}

#[test]
fn a_folder_that_is_not_there_and_a_check_that_is_none_are_told() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("eel.plan.json"), plan("hips")).unwrap();
    for (arguments, told) in
        [(["nowhere", "--sweep"], "nowhere"), ([".", "--only=strukture"], "did you mean structure?")]
    {
        let mut command = Command::new(env!("CARGO_BIN_EXE_condyle"));
        let output = command.current_dir(folder.path()).arg("watch").args(arguments).output().unwrap();
        assert_eq!(output.status.code(), Some(2));
        let text = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(text.contains(told), "{text}");
    }
}
