//! Clients that stock generators make of `openapi/openapi.json`, and a tester that reads it, against a live service.
//!
//! `.ci/clients FOLDER` makes the clients (openapi-python-client; openapi-typescript, openapi-fetch and the TypeScript
//! compiler) and installs schemathesis; `CONDYLE_OUTSIDE_CLIENTS` names the folder.
#![allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode};

use condyle_core::check::{Profile, Request, Unobserved, run};
use condyle_core::intake::{Bundle, Limits, Upload, read};
use condyle_core::render::{Item, annotations};
use condyle_tests::Service;
use libtest_mimic::{Arguments, Failed, Trial};
use serde_json::{Value, json};

const VARIABLE: &str = "CONDYLE_OUTSIDE_CLIENTS";

fn main() -> ExitCode {
    let arguments = Arguments::from_args();
    let folder = std::env::var_os(VARIABLE).map(PathBuf::from);
    let trial = |name: &str, run: fn(&Path) -> Result<(), Failed>| {
        let folder = folder.clone();
        let why = if folder.is_none() { format!(" (needs {VARIABLE})") } else { String::new() };
        let ignored = folder.is_none() && std::env::var_os("CI").is_none();
        let body = move || match &folder {
            Some(folder) => run(folder),
            None => Err(format!("{VARIABLE} is not set; see .ci/clients").into()),
        };
        Trial::test(format!("{name}{why}"), body).with_ignored_flag(ignored)
    };
    let trials = vec![
        trial("python_runs_the_main_flows", python),
        trial("typescript_runs_the_main_flows", typescript),
        trial("annotations_are_escaped_as_the_toolkit_escapes", annotation),
        trial("schemathesis_finds_no_failure", schemathesis),
    ];
    libtest_mimic::run(&arguments, trials).exit_code()
}

/// Runs a command against a service of its own.
fn against(run: impl FnOnce(&str) -> Command) -> Result<(), Failed> {
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build()?;
    let service = runtime.block_on(Service::start_with(|config| {
        // So that a webhook can be registered; nothing listens there.
        config.webhooks.hosts = vec!["127.0.0.1".into()];
        config.webhooks.networks = vec!["127.0.0.0/8".into()];
    }));
    let output = run(&service.base).output()?;
    if output.status.success() {
        return Ok(());
    }
    let text =
        String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
    // The end says what failed.
    let tail: Vec<&str> = text.lines().rev().take(200).collect();
    Err(tail.into_iter().rev().collect::<Vec<_>>().join("\n").into())
}

fn here(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("clients").join(name)
}

fn python(folder: &Path) -> Result<(), Failed> {
    against(|base| {
        let mut command = Command::new(folder.join("venv/bin/python"));
        command.arg(here("python_flows.py")).arg(base).arg(folder.join("python"));
        command
    })
}

fn typescript(folder: &Path) -> Result<(), Failed> {
    against(|base| {
        let mut command = Command::new("node");
        command.arg(folder.join("node/out/typescript_flows.js")).arg(base);
        command
    })
}

/// The same messages through `issueCommand` of `@actions/core`, which writes what the runner reads.
fn annotation(folder: &Path) -> Result<(), Failed> {
    let names = ["plain", "50 %, of: it\r\n::error::forged", "größe=1,title=x::y"];
    for name in names {
        let plan = json!({"schema": "condyle.plan/1", "asset": "eel", "joints": [
            {"name": name, "origin": [0, 0, 0], "tip": [0, 1, 0], "parent": "nobody"}]});
        let text = plan.to_string();
        let model = Some(Upload { name: "eel", bytes: text.as_bytes() });
        let intake = read(&Bundle { model, ..Bundle::default() }, &Limits::default()).unwrap();
        let profile = Profile::realtime();
        let request =
            Request { only: vec!["structure".into()], ..Request::all(&profile, "2026-11-25".parse()?) };
        let report = run(&intake, &request, &Unobserved).unwrap();
        let path = format!("rigs/{}", name.replace(['\r', '\n'], ""));
        let ours = annotations(&[Item::new(&path, &report)]);
        assert!(!report.findings.is_empty());
        let script = "const core = await import('@actions/core'); const list = JSON.parse(process.argv[1]); \
                      for (const [level, message, file, title] of list) core[level](message, { file, title });";
        // What stands in a line, read back by the rules of the toolkit's documentation, is what goes in again.
        let plain = |text: &str| {
            let text = text.replace("%2C", ",").replace("%3A", ":");
            text.replace("%0D", "\r").replace("%0A", "\n").replace("%25", "%")
        };
        let list: Vec<Value> = ours
            .lines()
            .map(|line| {
                let (head, message) = line.strip_prefix("::").unwrap().split_once("::").unwrap();
                let (level, properties) = head.split_once(' ').unwrap();
                let (file, title) = properties.split_once(",title=").unwrap();
                json!([level, plain(message), plain(file.strip_prefix("file=").unwrap()), plain(title)])
            })
            .collect();
        let output = Command::new("node")
            .args(["--input-type=module", "-e", script, &json!(list).to_string()])
            .current_dir(folder.join("node"))
            .output()?;
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        // The toolkit puts the title first; the order of properties means nothing.
        let sorted = |line: &str| -> (String, Vec<String>) {
            let (head, message) = line.strip_prefix("::").unwrap().split_once("::").unwrap();
            let (level, properties) = head.split_once(' ').unwrap();
            let mut properties: Vec<String> = properties.split(',').map(str::to_owned).collect();
            properties.sort();
            (format!("{level} {message}"), properties)
        };
        let theirs = String::from_utf8(output.stdout)?;
        let (ours, theirs): (Vec<_>, Vec<_>) =
            (ours.lines().map(sorted).collect(), theirs.lines().map(sorted).collect());
        assert_eq!(ours, theirs);
    }
    Ok(())
}

/// Every operation with made-up and with hostile data, by the description alone. What is left out stands, with its reason,
/// in `schemathesis.toml`.
fn schemathesis(folder: &Path) -> Result<(), Failed> {
    std::fs::copy(here("inputs.py"), folder.join("inputs.py"))?;
    against(|base| {
        let mut command = Command::new(folder.join("venv/bin/schemathesis"));
        command
            .arg("--config-file")
            .arg(here("schemathesis.toml"))
            .args(["run", &format!("{base}/openapi.json"), "--url", base])
            .current_dir(folder);
        command
    })
}
