//! `condyle submit` against `condyle serve`, both as processes: what is printed, and the exit codes of product.md.
#![cfg(feature = "server")]
#![expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use std::io::{BufRead as _, BufReader};
use std::path::Path;
use std::process::{Child, Command, Output, Stdio};

use serde_json::{Value, json};

/// Killed when dropped.
struct Server(Child, String);

impl Server {
    fn start(folder: &Path) -> Self {
        let mut child = Command::new(env!("CARGO_BIN_EXE_condyle"))
            .args(["serve", "--listen", "127.0.0.1:0", "--data-dir"])
            .arg(folder)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
        let address = line.trim().rsplit(' ').next().unwrap().to_owned();
        Self(child, address)
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn submit(server: &str, file: &Path, label: &str, more: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_condyle"))
        .args(["submit", "--server", server, "--production", "tidepool-post", "--asset", "stilt-heron"])
        .args(["--label", label])
        .args(more)
        .arg(file)
        .output()
        .unwrap()
}

fn plan(folder: &Path, name: &str, parent: &str) -> std::path::PathBuf {
    let plan: Value = json!({
        "schema": "condyle.plan/1", "asset": "stilt-heron",
        "joints": [
            {"name": "hips", "origin": [0, 1, 0], "tip": [0, 1.2, 0], "parent": null},
            {"name": "chest", "origin": [0, 1.2, 0], "tip": [0, 1.6, 0], "parent": parent},
        ]
    });
    let path = folder.join(name);
    std::fs::write(&path, plan.to_string()).unwrap();
    path
}

fn ended(output: &Output, code: i32) -> (String, String) {
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    let (out, err) = (text(&output.stdout), text(&output.stderr));
    assert_eq!(output.status.code(), Some(code), "{out}{err}");
    (out, err)
}

#[test]
fn a_submission_is_answered_by_its_report_and_the_gate() {
    let folder = tempfile::tempdir().unwrap();
    let server = Server::start(&folder.path().join("data"));
    let at = server.1.as_str();
    let sound = plan(folder.path(), "sound.plan.json", "hips");
    let broken = plan(folder.path(), "broken.plan.json", "hisp");
    let (out, _) = ended(&submit(at, &sound, "v1", &["--gate"]), 0);
    assert!(out.contains("sound.plan.json"), "{out}");
    let (out, _) = ended(&submit(at, &broken, "v2", &["--gate"]), 1);
    assert!(out.contains("chest hangs from hisp"), "{out}");
    ended(&submit(at, &broken, "v2", &["--fail-on", "never"]), 0);
    let (out, _) = ended(&submit(at, &broken, "v2", &["--format", "json"]), 1);
    assert_eq!(serde_json::from_str::<Value>(&out).unwrap()["counts"]["error"], 1);
    let (_, err) = ended(&submit(at, &sound, "v2", &[]), 2);
    assert!(err.contains("already holds other bytes"), "{err}");
    let (_, err) = ended(&submit(at, &sound, "v3", &["--profile", "flim"]), 2);
    assert!(err.contains("did you mean film?"), "{err}");
    let junk = folder.path().join("junk.glb");
    std::fs::write(&junk, b"glTF, or so it says").unwrap();
    ended(&submit(at, &junk, "v4", &[]), 2);
    ended(&submit(at, &folder.path().join("none.glb"), "v5", &[]), 2);
    let (out, _) = ended(&submit(at, &sound, "v6", &["--no-wait"]), 0);
    assert!(out.starts_with(&format!("{at}/v1/jobs/")), "{out}");
}

#[test]
fn a_service_that_is_not_there_is_told_as_such() {
    let folder = tempfile::tempdir().unwrap();
    let sound = plan(folder.path(), "sound.plan.json", "hips");
    // A port that was free a moment ago.
    let free = std::net::TcpListener::bind(("127.0.0.1", 0)).unwrap().local_addr().unwrap();
    let (_, err) = ended(&submit(&format!("http://{free}"), &sound, "v1", &["--timeout", "2"]), 3);
    assert!(err.contains("cannot be reached"), "{err}");
}
