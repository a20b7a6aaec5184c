//! The release binary as a user has it: it starts, finds a planted fault, and stops when it is asked to.

use std::fs;
use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use condyle_core::demo::faulty;
use condyle_core::export::{Storage, write_glb};
use serde_json::Value;

/// For starting and for stopping.
const PATIENCE: Duration = Duration::from_mins(1);

/// Builds the binary and tries it.
pub(crate) fn check(root: &Path) -> Result<(), String> {
    let built = Command::new("cargo")
        .args(["build", "--release", "--package", "condyle", "--message-format", "json-render-diagnostics"])
        .current_dir(root)
        .stderr(Stdio::inherit())
        .output()
        .map_err(|error| error.to_string())?;
    if !built.status.success() {
        return Err("the release build failed".to_owned());
    }
    let text = String::from_utf8_lossy(&built.stdout);
    let binary = text
        .lines()
        .filter_map(|line| serde_json::from_str::<Value>(line).ok())
        .filter(|message| message["target"]["name"] == "condyle")
        .find_map(|message| message["executable"].as_str().map(str::to_owned))
        .ok_or("cargo named no binary")?;
    try_binary(&binary)
}

fn try_binary(binary: &str) -> Result<(), String> {
    let folder = std::env::temp_dir().join(format!("condyle-smoke-{}", std::process::id()));
    fs::create_dir_all(&folder).map_err(|error| error.to_string())?;
    let mut child = Command::new(binary)
        .args(["serve", "--listen", "127.0.0.1:0", "--data-dir"])
        .arg(&folder)
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .map_err(|error| error.to_string())?;
    let outcome = talk(&mut child).and_then(|()| stop(&mut child));
    if outcome.is_err() {
        let _ = child.kill();
        let _ = child.wait();
    }
    let _ = fs::remove_dir_all(&folder);
    outcome
}

fn talk(child: &mut Child) -> Result<(), String> {
    let output = child.stdout.take().ok_or("no output")?;
    let mut address = None;
    for line in BufReader::new(output).lines().map_while(Result::ok) {
        if let Some((_, rest)) = line.split_once("http://") {
            address = rest.split(|c: char| c == '/' || c.is_whitespace()).next().map(str::to_owned);
            break;
        }
    }
    let address = address.ok_or("the service printed no address")?;
    let start = Instant::now();
    while !request(&address, "GET", "/readyz", b"").is_ok_and(|answer| answer.starts_with("HTTP/1.1 200")) {
        if start.elapsed() > PATIENCE {
            return Err("the service is not ready in time".to_owned());
        }
        std::thread::sleep(Duration::from_millis(50));
    }
    let (character, planted) = faulty("harbour-clerk", 2_000).ok_or("no such character")?;
    let id = planted.first().ok_or("nothing is planted")?.check;
    let answer = request(&address, "POST", "/v1/checks", character.plan.to_string().as_bytes())?;
    let glb = write_glb(&character.scene, &Storage::default());
    let other = request(&address, "POST", "/v1/checks", &glb)?;
    for answer in [&answer, &other] {
        let (head, body) = answer.split_once("\r\n\r\n").ok_or("an answer without a body")?;
        if !head.starts_with("HTTP/1.1 200") {
            return Err(format!("not a report: {}", head.lines().next().unwrap_or_default()));
        }
        let report: Value = serde_json::from_str(body).map_err(|error| format!("the report: {error}"))?;
        if report["findings"].as_array().into_iter().flatten().any(|finding| finding["check"] == id) {
            return Ok(());
        }
    }
    Err(format!("the planted {id} was not found"))
}

/// One request over a connection of its own.
fn request(address: &str, method: &str, path: &str, body: &[u8]) -> Result<String, String> {
    let told = |error: std::io::Error| format!("{method} {path}: {error}");
    let mut stream = TcpStream::connect(address).map_err(told)?;
    stream.set_read_timeout(Some(PATIENCE)).map_err(told)?;
    let head = format!(
        "{method} {path} HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\nContent-Length: {}\r\n\r\n",
        body.len()
    );
    stream.write_all(head.as_bytes()).map_err(told)?;
    stream.write_all(body).map_err(told)?;
    let mut answer = Vec::new();
    stream.read_to_end(&mut answer).map_err(told)?;
    Ok(String::from_utf8_lossy(&answer).into_owned())
}

/// SIGTERM, and then an end with 0.
fn stop(child: &mut Child) -> Result<(), String> {
    let told = Command::new("kill")
        .args(["-TERM", &child.id().to_string()])
        .status()
        .map_err(|error| format!("kill: {error}"))?;
    if !told.success() {
        return Err("the service was gone before it was asked to stop".to_owned());
    }
    let start = Instant::now();
    while start.elapsed() < PATIENCE {
        match child.try_wait().map_err(|error| error.to_string())? {
            Some(status) if status.success() => return Ok(()),
            Some(status) => return Err(format!("the service stopped with {status}")),
            None => std::thread::sleep(Duration::from_millis(50)),
        }
    }
    Err("the service did not stop in time".to_owned())
}
