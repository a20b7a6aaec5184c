//! `kill -9` at any moment: everybody who asked is told of every revision that was acknowledged, at least once and
//! always with the same id.
//!
//! The real binary is killed again and again while it stores and sends; a receiver in this process refuses now and then.
//! `CONDYLE_TEST_KILLS` sets how often (10 unless said).
#![cfg(all(unix, feature = "server"))]
#![expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use std::collections::{BTreeMap, BTreeSet};
use std::io::{BufRead as _, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use condyle_api::{WebhookMessage, WebhookSecret};
use reqwest::{Client, StatusCode};
use serde_json::{Value, json};
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};

/// The real thing; killed when dropped.
struct Server(Child);

impl Server {
    fn start(folder: &Path) -> (Self, String) {
        let mut child = Command::new(env!("CARGO_BIN_EXE_condyle"))
            .args(["serve", "--listen", "127.0.0.1:0", "--data-dir"])
            .arg(folder)
            .env("CONDYLE__WEBHOOKS__HOSTS", "127.0.0.1")
            .env("CONDYLE__WEBHOOKS__NETWORKS", "127.0.0.1/32")
            .env("CONDYLE__WEBHOOKS__TIMEOUT_S", "1")
            .env("CONDYLE__WEBHOOKS__PAUSE_S", "1")
            .env("CONDYLE__WEBHOOKS__ATTEMPTS", "1000")
            .env("CONDYLE__LOG__FILTER", "off")
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
        let base = format!("http://{}", line.trim().rsplit("http://").next().unwrap());
        (Self(child), base)
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        // SIGKILL on Unix.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Labels to the ids of the messages that told them.
type Told = Arc<Mutex<BTreeMap<String, BTreeSet<String>>>>;

/// Accepts every message but each fourth, by hand: no part of the service is trusted to read its own messages.
async fn receive(listener: tokio::net::TcpListener, told: Told) {
    for count in 0_u64.. {
        let (mut stream, _) = listener.accept().await.unwrap();
        let told = told.clone();
        tokio::spawn(async move {
            let mut bytes = Vec::new();
            let mut buffer = [0_u8; 4_096];
            let (head, length) = loop {
                let Ok(read @ 1..) = stream.read(&mut buffer).await else { return };
                bytes.extend_from_slice(&buffer[..read]);
                let text = String::from_utf8_lossy(&bytes).into_owned();
                let Some((head, _)) = text.split_once("\r\n\r\n") else { continue };
                let length = head.lines().find_map(|line| {
                    line.to_ascii_lowercase().strip_prefix("content-length:")?.trim().parse().ok()
                });
                break (head.to_owned(), length.unwrap_or(0_usize));
            };
            while bytes.len() < head.len() + 4 + length {
                let Ok(read @ 1..) = stream.read(&mut buffer).await else { return };
                bytes.extend_from_slice(&buffer[..read]);
            }
            let message: WebhookMessage = serde_json::from_slice(&bytes[head.len() + 4..]).unwrap();
            let id = head.lines().find_map(|line| line.strip_prefix("webhook-id: ")).unwrap();
            let accepts = count % 4 != 3;
            if accepts {
                let label = message.data.label.unwrap();
                told.lock().unwrap().entry(label).or_default().insert(id.to_owned());
            }
            let status = if accepts { "204 No Content" } else { "503 Service Unavailable" };
            let answer = format!("HTTP/1.1 {status}\r\ncontent-length: 0\r\nconnection: close\r\n\r\n");
            let _ = stream.write_all(answer.as_bytes()).await;
        });
    }
}

fn plan(label: &str) -> Value {
    json!({
        "schema": "condyle.plan/1", "asset": "eel",
        "joints": [{"name": "hips", "origin": [0, 1, 0], "tip": [0, 1.2, 0], "parent": null}],
        "extras": {"mark": label},
    })
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn everybody_is_told_of_everything_although_the_service_is_killed() {
    let kills = std::env::var("CONDYLE_TEST_KILLS").ok().and_then(|text| text.parse().ok()).unwrap_or(10_u64);
    let _ = rustls::crypto::ring::default_provider().install_default();
    let client = Client::builder().no_proxy().timeout(Duration::from_secs(20)).build().unwrap();
    let folder = tempfile::tempdir().unwrap();
    let listener = tokio::net::TcpListener::bind(("127.0.0.1", 0)).await.unwrap();
    let target = format!("http://{}/", listener.local_addr().unwrap());
    let told = Told::default();
    tokio::spawn(receive(listener, told.clone()));
    let mut acknowledged = BTreeSet::new();
    for round in 0..=kills {
        let (server, base) = tokio::task::block_in_place(|| Server::start(folder.path()));
        if round == 0 {
            let body = json!({"url": target, "events": ["revision.stored"]});
            let made = client.post(format!("{base}/v1/webhooks")).json(&body).send().await.unwrap();
            assert_eq!(made.status(), StatusCode::CREATED);
            assert!(made.json::<WebhookSecret>().await.unwrap().secret.starts_with("whsec_"));
        }
        let last = round == kills;
        // Different moments after the last acknowledgement: before, while and after it is sent.
        let (burst, pause) = (1 + round % 5, Duration::from_millis((round * 37) % 150));
        for number in 0..burst {
            let label = format!("r{round}-{number}");
            let put = client.put(format!("{base}/v1/assets/tidepool/eel/revisions/{label}"));
            let answer = put.json(&plan(&label)).send().await.unwrap();
            assert_eq!(answer.status(), StatusCode::CREATED);
            acknowledged.insert(label);
        }
        if last {
            let all = || acknowledged.iter().all(|label| told.lock().unwrap().contains_key(label));
            for _ in 0..3_000 {
                if all() {
                    break;
                }
                tokio::time::sleep(Duration::from_millis(20)).await;
            }
            let heard = told.lock().unwrap().clone();
            let missing: Vec<_> = acknowledged.iter().filter(|label| !heard.contains_key(*label)).collect();
            assert!(missing.is_empty(), "nobody was told of {missing:?}");
            assert!(heard.values().all(|ids| ids.len() == 1), "one message came under two ids: {heard:?}");
        } else {
            tokio::time::sleep(pause).await;
        }
        tokio::task::block_in_place(|| drop(server));
    }
}
