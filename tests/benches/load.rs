//! The service under more than it can do, on loopback: 2,000 pollers, each with a connection of its own and a question
//! every two seconds; ten times as many submissions in bulk as the machine can check; and gates among them.
//!
//! Asserted: the pollers' 99th percentile, that a gate is answered or refused at once with `Retry-After`, the service's
//! memory, and that nothing acknowledged is lost. The service is a process of its own, so that its memory is its own;
//! the load comes from this one, on the same cores. A poll is timed from when it was due, not from when it was sent.
//!
//! `cargo bench --bench load -- 60 2000` (seconds and pollers; 10 and 200 unless said). It needs two open files for
//! each poller (`ulimit -n`).
#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a bench may stop at the first surprise, and prints"
)]

use std::io::{self, BufRead as _};
use std::net::SocketAddr;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::time::Duration;

use condyle_api::{Job, JobState};
use condyle_core::demo::{NAMES, character};
use condyle_core::export::{Storage, write_glb};
use reqwest::multipart::{Form, Part};
use reqwest::{Client, StatusCode};
use serde_json::{Value, json};
use tokio::io::{AsyncBufReadExt as _, AsyncReadExt as _, AsyncWriteExt as _, BufReader};
use tokio::net::TcpStream;
use tokio::task::JoinSet;
use tokio::time::{Instant, sleep_until};

/// Vertices of a character, about: the demo's resolution.
const VERTICES: usize = 3_000;
/// Between two questions of a poller.
const PACE: Duration = Duration::from_secs(2);
/// How many times what the machine can check is submitted.
const TIMES: f64 = 10.0;
/// Jobs that may wait: what the machine checks in so many seconds.
const WAITING: f64 = 5.0;
/// The pollers' 99th percentile.
const POLL_P99: Duration = Duration::from_millis(50);
/// A refusal comes at once.
const REFUSAL: Duration = Duration::from_secs(1);
/// The most memory that the service may ever have had, bytes.
const MEMORY: u64 = 768 << 20;

fn main() {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build().unwrap();
    if let [serve, folder, waiting] = words.as_slice()
        && serve == "serve"
    {
        runtime.block_on(service(Path::new(folder), waiting.parse().unwrap()));
        return;
    }
    let numbers: Vec<u64> = words.iter().filter_map(|word| word.parse().ok()).collect();
    let seconds = numbers.first().copied().unwrap_or(10);
    let pollers = numbers.get(1).copied().unwrap_or(200);
    runtime.block_on(measure(Duration::from_secs(seconds), pollers));
}

/// The service, in a process of its own, until that is killed.
async fn service(folder: &Path, waiting: u64) {
    let mut config = condyle_tests::configuration(folder);
    config.server.connections = 8_192;
    config.jobs.waiting = waiting;
    let ready = |address: SocketAddr| println!("{address}");
    condyle_server::serve(config, ready, std::future::pending()).await.unwrap();
}

struct Running {
    child: Child,
    address: SocketAddr,
}

impl Running {
    fn start(folder: &Path, waiting: u64) -> Self {
        let mut child = Command::new(std::env::current_exe().unwrap())
            .arg("serve")
            .arg(folder)
            .arg(waiting.to_string())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut line = String::new();
        io::BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
        Self { child, address: line.trim().parse().unwrap() }
    }

    /// The most memory it ever had, bytes; where the system tells it.
    fn memory(&self) -> Option<u64> {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.child.id())).ok()?;
        let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"))?;
        Some(line.trim().trim_end_matches(" kB").parse::<u64>().ok()? << 10)
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

async fn measure(lasting: Duration, pollers: u64) {
    let folder = tempfile::tempdir().unwrap();
    let able = Load::new(Running::start(folder.path(), 1_000).address).able().await;
    // So that the queue is full for most of the time.
    let waiting = (able * WAITING).max(20.0) as u64;
    let running = Running::start(folder.path(), waiting);
    let load = Arc::new(Load::new(running.address));
    let gates = able / 4.0;
    println!(
        "this machine checks {able:.1} submissions a second; {:.0} in bulk and {gates:.1} gates a second for {} s, \
         {pollers} pollers",
        able * TIMES,
        lasting.as_secs()
    );
    let mut connections = Vec::new();
    for _ in 0..pollers {
        let connection = TcpStream::connect(running.address).await.unwrap();
        connection.set_nodelay(true).unwrap();
        connections.push(BufReader::new(connection));
    }
    let begun = Instant::now();
    let end = begun + lasting;
    let polling: Vec<_> = (0..pollers)
        .zip(connections)
        .map(|(number, connection)| {
            let first = begun + PACE.mul_f64(number as f64 / pollers as f64);
            tokio::spawn(poll(connection, number, first, end))
        })
        .collect();
    let bulk = tokio::spawn(Arc::clone(&load).submit("bulk", able * TIMES, end));
    let gate = tokio::spawn(Arc::clone(&load).submit("gate", gates, end));
    let mut polls = Vec::new();
    for one in polling {
        polls.extend(one.await.unwrap());
    }
    let (bulk, gate) = (bulk.await.unwrap(), gate.await.unwrap());
    let memory = running.memory();
    let polled = Times::of("polls", polls);
    let acknowledged = bulk.tell("bulk") + gate.tell("gate");
    let kept = load.kept(bulk.accepted.iter().chain(&gate.accepted)).await;
    println!("{acknowledged} acknowledged, {kept} of them are there");
    if let Some(memory) = memory {
        println!("{:.0} MB of memory at most", memory as f64 / 1e6);
    }
    assert!(!gate.accepted.is_empty(), "gates come through");
    assert_eq!(kept, acknowledged, "nothing acknowledged is lost");
    assert!(!bulk.refused.is_empty(), "it was more than it can do");
    // Times mean something where the service is built as it is used.
    if cfg!(not(debug_assertions)) {
        assert!(polled.p99 < POLL_P99, "{:?}", polled.p99);
        for refused in bulk.refused.iter().chain(&gate.refused) {
            assert!(*refused < REFUSAL, "{refused:?}");
        }
    }
    assert!(memory.is_none_or(|memory| memory < MEMORY), "{memory:?}");
}

/// Times in order.
struct Times {
    p99: Duration,
}

impl Times {
    fn of(what: &str, mut list: Vec<Duration>) -> Self {
        list.sort_unstable();
        let at = |share: f64| {
            let place = ((list.len() as f64 * share) as usize).min(list.len().saturating_sub(1));
            list.get(place).copied().unwrap_or_default()
        };
        println!(
            "{what:>16}: {:>6}, half within {:>8.1} ms, 99 of 100 within {:>8.1} ms, all within {:>8.1} ms",
            list.len(),
            at(0.5).as_secs_f64() * 1e3,
            at(0.99).as_secs_f64() * 1e3,
            at(1.0).as_secs_f64() * 1e3
        );
        Self { p99: at(0.99) }
    }
}

/// What became of submissions.
#[derive(Default)]
struct Ended {
    /// Paths of the revisions that are acknowledged, with their jobs where these were not over.
    accepted: Vec<(String, Option<String>)>,
    answered: Vec<Duration>,
    refused: Vec<Duration>,
}

impl Ended {
    fn tell(&self, what: &str) -> usize {
        let _ = Times::of(&format!("{what} accepted"), self.answered.clone());
        let _ = Times::of(&format!("{what} refused"), self.refused.clone());
        self.accepted.len()
    }
}

struct Load {
    client: Client,
    base: String,
    /// Plans with the bodies they come with.
    characters: Vec<(Value, Vec<u8>)>,
}

impl Load {
    fn new(address: SocketAddr) -> Self {
        let characters = NAMES.iter().map(|name| character(name, VERTICES).unwrap());
        let characters =
            characters.map(|one| (one.plan, write_glb(&one.scene, &Storage::default()))).collect();
        Self { client: condyle_tests::client(), base: format!("http://{address}"), characters }
    }

    /// Submits an asset of its own: a plan in bytes of its own, with one of four bodies.
    async fn put(
        &self,
        asset: &str,
        number: usize,
        query: &str,
        prefer: &str,
    ) -> (String, reqwest::Response) {
        let (plan, glb) = &self.characters[number % self.characters.len()];
        let mut plan = plan.clone();
        plan["asset"] = json!(asset);
        let part = |bytes: Vec<u8>, file: &str, kind: &str| {
            Part::bytes(bytes).file_name(file.to_owned()).mime_str(kind).unwrap()
        };
        let form = Form::new()
            .part("plan", part(plan.to_string().into_bytes(), "plan.json", "application/json"))
            .part("model", part(glb.clone(), "body.glb", "model/gltf-binary"));
        let path = format!("/v1/assets/tidepool-post/{asset}/revisions/v1");
        let request = self.client.put(format!("{}{path}?{query}", self.base)).header("prefer", prefer);
        (path, request.multipart(form).send().await.unwrap())
    }

    /// How many submissions a second are checked and stored.
    async fn able(&self) -> f64 {
        const EACH: usize = 12;
        let begun = Instant::now();
        let one = async |lane: usize| {
            for number in 0..EACH {
                let (path, answer) =
                    self.put(&format!("able-{lane}-{number}"), number, "", "handling=lenient").await;
                assert_eq!(answer.status(), StatusCode::CREATED, "{path}");
            }
        };
        tokio::join!(one(0), one(1), one(2));
        (3 * EACH) as f64 / begun.elapsed().as_secs_f64()
    }

    /// Submits so many a second, whatever becomes of them.
    async fn submit(self: Arc<Self>, priority: &'static str, rate: f64, end: Instant) -> Ended {
        let pace = Duration::from_secs_f64(1.0 / rate);
        let mut due = Instant::now();
        let mut running = JoinSet::new();
        let mut number = 0;
        while due < end {
            sleep_until(due).await;
            let load = Arc::clone(&self);
            running.spawn(async move { load.one(priority, number).await });
            number += 1;
            due += pace;
        }
        let mut ended = Ended::default();
        for (path, answer) in running.join_all().await {
            match answer {
                Ok((job, took)) => {
                    ended.accepted.push((path, job));
                    ended.answered.push(took);
                }
                Err(took) => ended.refused.push(took),
            }
        }
        ended
    }

    /// The job of what was accepted, if it is not over, and how long that took; or how long a refusal took.
    async fn one(
        &self,
        priority: &str,
        number: usize,
    ) -> (String, Result<(Option<String>, Duration), Duration>) {
        // A build waits for its gate; nobody waits for what comes in bulk.
        let prefer = if priority == "gate" { "wait=30" } else { "respond-async" };
        let begun = Instant::now();
        let asset = format!("{priority}-{number}");
        let (path, answer) = self.put(&asset, number, &format!("priority={priority}"), prefer).await;
        let took = begun.elapsed();
        let header = |name: &str| answer.headers().get(name).map(|value| value.to_str().unwrap().to_owned());
        let ended = match answer.status() {
            StatusCode::CREATED | StatusCode::OK => Ok((None, took)),
            StatusCode::ACCEPTED => Ok((header("location"), took)),
            StatusCode::SERVICE_UNAVAILABLE => {
                assert!(header("retry-after").is_some(), "a refusal says when to come back");
                Err(took)
            }
            other => panic!("{path}: {other}"),
        };
        (path, ended)
    }

    /// How many of what was acknowledged is there when its jobs are over.
    async fn kept(&self, accepted: impl Iterator<Item = &(String, Option<String>)>) -> usize {
        let mut kept = 0;
        for (path, job) in accepted {
            if let Some(job) = job {
                loop {
                    let found =
                        self.client.get(format!("{}{job}", self.base)).header("prefer", "wait=30").send();
                    let found: Job = found.await.unwrap().json().await.unwrap();
                    if found.state.is_over() {
                        assert_eq!(found.state, JobState::Done, "{found:?}");
                        break;
                    }
                }
            }
            let there = self.client.get(format!("{}{path}", self.base)).send().await.unwrap();
            kept += usize::from(there.status() == StatusCode::OK);
        }
        kept
    }
}

/// Asks now and then whether anything changed, over one connection; how long after it was due each answer was there.
async fn poll(
    mut connection: BufReader<TcpStream>,
    number: u64,
    first: Instant,
    end: Instant,
) -> Vec<Duration> {
    const PATHS: [&str; 3] = ["/v1/summary", "/v1/assets?limit=20", "/v1/assets?verdict=fail&limit=20"];
    let path = PATHS[number as usize % PATHS.len()];
    let mut tag = String::new();
    let mut times = Vec::new();
    let mut due = first;
    while due < end {
        sleep_until(due).await;
        let status = ask(&mut connection, path, &mut tag).await.unwrap();
        assert!([200, 304].contains(&status), "{path}: {status}");
        times.push(due.elapsed());
        due += PACE;
    }
    times
}

/// One question (RFC 9112) and the whole of its answer; the tag of the answer is kept.
async fn ask(connection: &mut BufReader<TcpStream>, path: &str, tag: &mut String) -> io::Result<u16> {
    let condition = if tag.is_empty() { String::new() } else { format!("If-None-Match: {tag}\r\n") };
    let request =
        format!("GET {path} HTTP/1.1\r\nHost: loopback\r\nAccept: application/json\r\n{condition}\r\n");
    connection.write_all(request.as_bytes()).await?;
    let broken = |what: &str| io::Error::other(what.to_owned());
    let mut line = String::new();
    connection.read_line(&mut line).await?;
    let status = line.split(' ').nth(1).and_then(|code| code.parse().ok()).ok_or_else(|| broken(&line))?;
    let mut length = 0;
    loop {
        line.clear();
        connection.read_line(&mut line).await?;
        let Some((name, value)) = line.trim_end().split_once(": ") else { break };
        match name.to_ascii_lowercase().as_str() {
            "content-length" => length = value.parse().map_err(|_| broken("content-length"))?,
            "etag" => value.clone_into(tag),
            "transfer-encoding" => return Err(broken("an answer of unknown length")),
            _ => {}
        }
    }
    if status != 304 {
        let mut body = vec![0; length];
        connection.read_exact(&mut body).await?;
    }
    Ok(status)
}
