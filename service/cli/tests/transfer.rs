//! Productions out of one running service and into another, and a backup of a running one, by the binary alone.
#![cfg(feature = "server")]
#![expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use std::io::BufRead as _;
use std::path::Path;
use std::process::{Child, Command, Output, Stdio};

use reqwest::{Client, StatusCode};

const PLAN: &str = r#"{"schema": "condyle.plan/1", "asset": "heron", "joints": [
    {"name": "hips", "origin": [0, 1, 0], "tip": [0, 1.2, 0], "parent": null},
    {"name": "chest", "origin": [0, 1.2, 0], "tip": [0, 2, 0], "parent": "hips"}]}"#;

/// A service in a process of its own; ended when dropped.
struct Serving {
    child: Child,
    base: String,
}

impl Serving {
    fn start(folder: &Path) -> Self {
        let mut child = Command::new(env!("CARGO_BIN_EXE_condyle"))
            .args(["serve", "--listen", "127.0.0.1:0", "--data-dir"])
            .arg(folder)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut line = String::new();
        std::io::BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
        let base = line.trim().strip_prefix("condyle listens on ").unwrap().to_owned();
        Self { child, base }
    }

    fn url(&self, label: &str, below: &str) -> String {
        format!("{}/v1/assets/tidepool/heron/revisions/{label}{below}", self.base)
    }
}

impl Drop for Serving {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn condyle(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_condyle")).args(arguments).output().unwrap()
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
}

#[tokio::test]
async fn a_production_moves_and_a_running_service_is_backed_up() {
    let _ = rustls::crypto::ring::default_provider().install_default();
    let client = Client::builder().no_proxy().build().unwrap();
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    let text = |name: &str| at(name).to_string_lossy().into_owned();
    let (from, to) = (Serving::start(&at("from")), Serving::start(&at("to")));
    for (label, body) in [("v1", PLAN.to_owned()), ("v2", PLAN.replace("\"hips\"}", "\"hisp\"}"))] {
        let put = client.put(from.url(label, "")).body(body).send().await.unwrap();
        assert_eq!(put.status(), StatusCode::CREATED);
    }
    let exported = condyle(&["export", "tidepool", "-o", &text("show.tar"), "--server", &from.base]);
    assert_eq!(exported.status.code(), Some(0), "{}", said(&exported));
    let imported = condyle(&["import", "tidepool", &text("show.tar"), "--server", &to.base]);
    assert_eq!(imported.status.code(), Some(0), "{}", said(&imported));
    assert!(said(&imported).contains("2 revisions of 1 assets stored"), "{}", said(&imported));
    let report = async |service: &Serving, label: &str| {
        let response = client.get(service.url(label, "/report")).send().await.unwrap();
        assert_eq!(response.status(), StatusCode::OK, "{label}");
        response.bytes().await.unwrap()
    };
    for label in ["v1", "v2"] {
        assert_eq!(report(&from, label).await, report(&to, label).await, "{label}");
    }
    // What is no archive is the caller's fault, what is not there the caller's too.
    std::fs::write(at("no.tar"), "no archive").unwrap();
    let refused = condyle(&["import", "tidepool", &text("no.tar"), "--server", &to.base]);
    assert_eq!(refused.status.code(), Some(2), "{}", said(&refused));
    let missing = condyle(&["export", "nowhere", "-o", &text("x.tar"), "--server", &from.base]);
    assert!(missing.status.code() == Some(2) && said(&missing).contains("there is no production nowhere"));
    assert!(!at("x.tar").exists());
    let copied = condyle(&["backup", "--data-dir", &text("from"), &text("copy")]);
    assert_eq!(copied.status.code(), Some(0), "{}", said(&copied));
    let restored = Serving::start(&at("copy"));
    for label in ["v1", "v2"] {
        assert_eq!(report(&from, label).await, report(&restored, label).await, "{label}");
    }
}
