//! `condyle submit` where the service is busy, away, or silent, and where somebody presses Ctrl-C.
#![cfg(feature = "client")]
#![expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use std::io::{Read as _, Write as _};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};

use condyle_tests::Service;

fn condyle(folder: &Path, server: &str, more: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_condyle"));
    for name in ["CONDYLE_TOKEN", "CONDYLE_TOKEN_FILE", "CONDYLE_LABEL", "CONDYLE_CA_FILE"] {
        command.env_remove(name);
    }
    command
        .current_dir(folder)
        .args(["submit", "--server", server, "--production", "tidepool-post"])
        .args(more);
    command
}

fn plans(count: usize) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    for number in 0..count {
        let name = format!("crab-{number}");
        std::fs::write(
            folder.path().join(format!("{name}.plan.json")),
            condyle_tests::plan(&name).to_string(),
        )
        .unwrap();
    }
    folder
}

fn told(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
}

/// Stands before a service: gives the first answers itself, one a connection, and passes the rest on.
fn before(service: &str, first: &'static [&'static str]) -> String {
    let target = service.trim_start_matches("http://").to_owned();
    let listener = TcpListener::bind(("127.0.0.1", 0)).unwrap();
    let address = listener.local_addr().unwrap();
    std::thread::spawn(move || {
        for (number, stream) in listener.incoming().enumerate() {
            let Ok(mut stream) = stream else { return };
            if let Some(answer) = first.get(number) {
                let _ = stream.read(&mut [0; 8192]);
                let _ = stream.write_all(answer.as_bytes());
                continue;
            }
            let Ok(inner) = TcpStream::connect(&target) else { return };
            for (mut from, mut to) in
                [(stream.try_clone().unwrap(), inner.try_clone().unwrap()), (inner, stream)]
            {
                std::thread::spawn(move || {
                    let _ = std::io::copy(&mut from, &mut to);
                    let _ = to.shutdown(std::net::Shutdown::Write);
                });
            }
        }
    });
    format!("http://{address}")
}

#[tokio::test(flavor = "multi_thread")]
async fn a_busy_service_is_asked_again_when_it_said() {
    let service = Service::start().await;
    let folder = plans(1);
    let busy = before(
        &service.base,
        &[
            "HTTP/1.1 503 Service Unavailable\r\nretry-after: 1\r\ncontent-length: 0\r\nconnection: close\r\n\r\n",
            "HTTP/1.1 429 Too Many Requests\r\nratelimit: \"default\";r=0;t=2\r\ncontent-length: 0\r\nconnection: close\r\n\r\n",
            // No word on when: the back-off decides.
            "HTTP/1.1 502 Bad Gateway\r\ncontent-length: 0\r\nconnection: close\r\n\r\n",
            // And one that breaks off.
            "HTTP/1.1 200 OK\r\ncontent-le",
        ],
    );
    let begun = Instant::now();
    let output = condyle(folder.path(), &busy, &["crab-0.plan.json", "--verbose"]).output().unwrap();
    let text = told(&output);
    assert_eq!(output.status.code(), Some(0), "{text}");
    assert!(
        begun.elapsed() >= Duration::from_secs(3),
        "1 s and 2 s were asked for: {:?}\n{text}",
        begun.elapsed()
    );
    assert!(
        text.contains("503") && text.contains("again in 1.0 s") && text.contains("again in 2.0 s"),
        "{text}"
    );
    assert!(text.contains("the first revision"), "{text}");
}

#[test]
fn a_service_that_is_not_there_is_told_as_such() {
    let folder = plans(2);
    // A port that was free a moment ago.
    let free = TcpListener::bind(("127.0.0.1", 0)).unwrap().local_addr().unwrap();
    let server = format!("http://{free}");
    let output = condyle(folder.path(), &server, &["crab-0.plan.json", "--timeout", "2"]).output().unwrap();
    let text = told(&output);
    assert_eq!(output.status.code(), Some(3), "{text}");
    assert!(text.contains("cannot be reached") && text.contains("refused"), "{text}");
    let output =
        condyle(folder.path(), &server, &[".", "--retries", "0", "--format", "ndjson"]).output().unwrap();
    assert_eq!(output.status.code(), Some(3));
    let lines = String::from_utf8(output.stdout).unwrap();
    assert_eq!(lines.lines().filter(|line| line.contains("\"outcome\":\"unreached\"")).count(), 2, "{lines}");
}

/// The service takes the connection and never says a word: Ctrl-C ends the run at once, and says so.
#[cfg(unix)]
#[test]
fn an_interrupt_ends_the_run_at_once() {
    let folder = plans(3);
    let silent = TcpListener::bind(("127.0.0.1", 0)).unwrap();
    let server = format!("http://{}", silent.local_addr().unwrap());
    // A day for each file: within the life of a build nothing but the interrupt ends it.
    let child = condyle(folder.path(), &server, &[".", "--format", "ndjson", "--timeout", "86400"])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // It has begun to ask.
    let _held = silent.accept().unwrap();
    let pid = child.id().to_string();
    assert!(Command::new("kill").args(["-INT", &pid]).status().unwrap().success());
    let output = child.wait_with_output().unwrap();
    let text = told(&output);
    assert_eq!(output.status.code(), Some(130), "{text}");
    assert!(text.contains("stopped; what was sent is safe"), "{text}");
    assert_eq!(text.matches("\"outcome\":\"stopped\"").count(), 3, "{text}");
}
