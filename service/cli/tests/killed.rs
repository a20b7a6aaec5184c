//! `kill -9` at any moment: what was acknowledged is there, once.
//!
//! The real binary serves several callers on one data folder and is killed at random moments, sometimes while it
//! starts. Each time it starts again on the same folder; at the end everything is compared with what the callers were
//! told. `CONDYLE_TEST_KILLS` sets how often (25 unless said), `CONDYLE_TEST_SEED` when; with
//! `CONDYLE_TEST_STORE=postgres` it stores on the PostgreSQL of `CONDYLE_TEST_POSTGRES_URL`.
#![cfg(all(unix, feature = "server"))]
#![expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use std::collections::{BTreeMap, BTreeSet};
use std::io::{BufRead as _, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use condyle_api::{Job, JobKind, JobState, Revision, RevisionPage};
use condyle_tests::postgres;
use reqwest::{Client, StatusCode};
use serde_json::{Value, json};
use sha2::{Digest as _, Sha256};
use tokio::sync::watch;

const CALLERS: u64 = 5;
const ASSETS: u64 = 3;

/// SplitMix64 (Steele, Lea, Flood 2014).
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    fn below(&mut self, end: u64) -> u64 {
        self.next() % end
    }
}

/// The real thing; killed when dropped.
struct Server(Child);

impl Server {
    fn start(folder: &Path) -> Self {
        let mut command = Command::new(env!("CARGO_BIN_EXE_condyle"));
        if postgres::wanted() {
            command.env("CONDYLE__STORE__URL_FILE", postgres::url_file(folder));
        }
        let child = command
            .args(["serve", "--listen", "127.0.0.1:0", "--data-dir"])
            .arg(folder)
            .env("CONDYLE__JOBS__LEASE_S", "1")
            .env("CONDYLE__JOBS__ATTEMPTS", "1000000")
            .env("CONDYLE__WORK__THREADS", "2")
            .env("CONDYLE__SERVER__REQUEST_TIMEOUT_S", "10")
            .env("CONDYLE__LOG__FILTER", "off")
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        Self(child)
    }

    /// Waits until it listens.
    fn base(&mut self) -> String {
        let mut line = String::new();
        BufReader::new(self.0.stdout.take().unwrap()).read_line(&mut line).unwrap();
        let address = line.trim().rsplit("http://").next().unwrap();
        assert!(!address.is_empty(), "it did not start");
        format!("http://{address}")
    }

    fn kill(mut self) {
        // SIGKILL on Unix.
        self.0.kill().unwrap();
        self.0.wait().unwrap();
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// What the callers sent, and what they were told.
#[derive(Default)]
struct Ledger {
    /// Path to the digest of what was sent, acknowledged or not.
    sent: BTreeMap<String, String>,
    /// Paths that were acknowledged as stored.
    stored: BTreeSet<String>,
    /// Jobs that were acknowledged, with the path that they are for.
    jobs: BTreeMap<String, Option<String>>,
    /// Requests without an answer.
    unanswered: u64,
    /// Keys that were answered by two different jobs.
    doubled: Vec<String>,
}

fn client() -> Client {
    let _ = rustls::crypto::ring::default_provider().install_default();
    Client::builder().no_proxy().timeout(Duration::from_secs(20)).build().unwrap()
}

fn body(asset: &str, mark: &str, size: u64) -> Vec<u8> {
    let plan: Value = json!({
        "schema": "condyle.plan/1", "asset": asset,
        "joints": [
            {"name": "hips", "origin": [0, 1, 0], "tip": [0, 1.2, 0], "parent": null},
            {"name": "chest", "origin": [0, 1.2, 0], "tip": [0, 1.6, 0], "parent": "hips"},
        ],
        "extras": {"mark": mark, "filling": "x".repeat(size as usize)},
    });
    serde_json::to_vec(&plan).unwrap()
}

fn digest(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().map(|byte| format!("{byte:02x}")).collect()
}

/// One caller: submits without end, in every way there is.
async fn call(number: u64, seed: u64, mut base: watch::Receiver<Option<String>>, ledger: Arc<Mutex<Ledger>>) {
    let mut random = Random(seed ^ number.wrapping_mul(0x5851_f42d_4c95_7f2d));
    let client = client();
    for count in 0_u64.. {
        let asset = format!("eel-{}", random.below(ASSETS));
        let label = format!("c{number}-{count}");
        let way = random.below(5);
        let size = if random.below(8) == 0 { 300_000 } else { random.below(2_000) };
        let bytes = body(&asset, &label, size);
        let path = format!("/v1/assets/tidepool/{asset}/revisions/{label}");
        let target = (way < 4).then(|| path.clone());
        if target.is_some() {
            ledger.lock().unwrap().sent.insert(path.clone(), digest(&bytes));
        }
        let mut first_job: Option<String> = None;
        // With a key, or to a label, the same may be sent until there is an answer; now and then a caller gives up.
        for _ in 0..=random.below(4) {
            let Ok(there) = base.wait_for(Option::is_some).await.map(|base| base.clone()) else { return };
            let at = there.unwrap();
            let request = match way {
                4 => client.post(format!("{at}/v1/checks?as_of=2026-11-25")),
                _ => client.put(format!("{at}{path}")),
            };
            let request = match way {
                0 => request,
                1 => request.header("prefer", "respond-async"),
                2 => request.header("prefer", "respond-async, wait=1"),
                _ => request.header("prefer", "respond-async").header("idempotency-key", &label),
            };
            let answer = request.body(bytes.clone()).send().await;
            let told = match answer {
                Ok(answer) => {
                    let status = answer.status();
                    let place = answer.headers().get("location").map(|l| l.to_str().unwrap().to_owned());
                    // A 201 whose body is cut off was acknowledged by its head.
                    Some((status, place))
                }
                Err(_) => None,
            };
            let mut ledger = ledger.lock().unwrap();
            match told {
                None => ledger.unanswered += 1,
                Some((StatusCode::CREATED | StatusCode::OK, _)) if target.is_some() => {
                    ledger.stored.insert(path.clone());
                    break;
                }
                // The job that a killed process had made for this key is over: here is its report.
                Some((StatusCode::OK, _)) => break,
                Some((StatusCode::ACCEPTED, Some(place))) => {
                    if first_job.as_ref().is_some_and(|first| *first != place) {
                        ledger.doubled.push(label.clone());
                    }
                    ledger.jobs.insert(place.clone(), target.clone());
                    first_job = Some(place);
                    // Sent again although it was answered: still one job.
                    if way == 1 || random.below(4) > 0 {
                        break;
                    }
                }
                // A key that a killed process still holds, a full queue: nothing was acknowledged.
                Some((StatusCode::CONFLICT | StatusCode::SERVICE_UNAVAILABLE, _)) => {}
                Some((status, place)) => panic!("{path}: {status} {place:?}"),
            }
        }
        tokio::time::sleep(Duration::from_millis(random.below(30))).await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_was_acknowledged_survives_kills_at_any_moment_and_happens_once() {
    let number = |name: &str| std::env::var(name).ok().and_then(|text| text.parse::<u64>().ok());
    let kills = number("CONDYLE_TEST_KILLS").unwrap_or(25);
    let seed = number("CONDYLE_TEST_SEED").unwrap_or(20_261_125);
    let folder = tempfile::tempdir().unwrap();
    let ledger: Arc<Mutex<Ledger>> = Arc::default();
    let (tell, base) = watch::channel(None);
    let mut callers = tokio::task::JoinSet::new();
    for caller in 0..CALLERS {
        callers.spawn(call(caller, seed, base.clone(), ledger.clone()));
    }
    let mut random = Random(seed);
    for _ in 0..kills {
        let mut server = Server::start(folder.path());
        if random.below(8) == 0 {
            // While it starts: opening, migrating, taking up what was left.
            tokio::time::sleep(Duration::from_millis(random.below(120))).await;
        } else {
            let at = tokio::task::block_in_place(|| server.base());
            tell.send(Some(at)).unwrap();
            tokio::time::sleep(Duration::from_millis(random.below(700))).await;
        }
        tokio::task::block_in_place(|| server.kill());
        tell.send(None).unwrap();
    }
    callers.abort_all();
    while let Some(ended) = callers.join_next().await {
        assert!(
            ended.is_err_and(|error| error.is_cancelled()),
            "a caller got an answer that it must not get"
        );
    }
    let mut server = Server::start(folder.path());
    let at = tokio::task::block_in_place(|| server.base());
    let ledger = std::mem::take(&mut *ledger.lock().unwrap());
    reconcile(&at, folder.path(), &ledger, kills).await;
}

async fn reconcile(base: &str, folder: &Path, ledger: &Ledger, kills: u64) {
    let client = client();
    assert!(ledger.doubled.is_empty(), "one key made two jobs: {:?}", ledger.doubled);
    // Every acknowledged job ends well, and what it made is there.
    for (place, target) in &ledger.jobs {
        let job = finished(&client, base, place).await;
        assert_eq!(job.state, JobState::Done, "{job:?}");
        let kind = if target.is_some() { JobKind::Submit } else { JobKind::Check };
        assert_eq!(job.kind, kind);
        if target.is_none() {
            let report = client.get(format!("{base}{place}/report")).send().await.unwrap();
            assert_eq!(report.json::<Value>().await.unwrap()["report"], "condyle.report/1");
        } else {
            assert_eq!(job.result, *target);
        }
    }
    // Jobs whose acceptance was never heard of run to their end, too.
    let url = if postgres::wanted() {
        std::fs::read_to_string(postgres::url_file(folder)).unwrap()
    } else {
        format!("sqlite://{}?mode=ro", folder.join("condyle.sqlite").display())
    };
    sqlx::any::install_default_drivers();
    let database = sqlx::AnyPool::connect(&url).await.unwrap();
    let count =
        async |sql: &'static str| sqlx::query_scalar::<_, i64>(sql).fetch_one(&database).await.unwrap();
    let open = "SELECT COUNT(*) FROM jobs WHERE state IN ('queued', 'running', 'failed')";
    for _ in 0..3_000 {
        if count(open).await == 0 {
            break;
        }
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    assert_eq!(count(open).await, 0, "a job is left behind");
    assert_eq!(count("SELECT COUNT(*) FROM jobs WHERE state <> 'done'").await, 0);
    let held =
        "SELECT COUNT(*) FROM job_blobs WHERE job NOT IN (SELECT id FROM jobs WHERE outcome = 'report')";
    assert_eq!(count(held).await, 0, "only a report is kept with its input");
    let twice = "SELECT COUNT(*) FROM (SELECT 1 FROM jobs WHERE outcome = 'created' GROUP BY production, asset, label \
                 HAVING COUNT(*) > 1) AS doubled";
    assert_eq!(count(twice).await, 0, "two jobs made one revision");
    if !postgres::wanted() {
        let integrity: String =
            sqlx::query_scalar("PRAGMA integrity_check").fetch_one(&database).await.unwrap();
        assert_eq!(integrity, "ok");
    }
    let again = count("SELECT COUNT(*) FROM jobs WHERE attempts > 1").await;
    // Everything that was acknowledged is there, once, whole, under a number of its own.
    let mut there = BTreeMap::new();
    for asset in 0..ASSETS {
        let mut numbers = BTreeSet::new();
        let mut next = Some(format!("/v1/assets/tidepool/eel-{asset}/revisions?limit=500"));
        while let Some(path) = next {
            let page = client.get(format!("{base}{path}")).send().await.unwrap();
            let page: RevisionPage = page.json().await.unwrap();
            next = page
                .next
                .map(|cursor| format!("/v1/assets/tidepool/eel-{asset}/revisions?limit=500&cursor={cursor}"));
            for revision in page.items {
                assert!(numbers.insert(revision.number), "the number {} comes twice", revision.number);
                let path = revision.report_url.trim_end_matches("/report").to_owned();
                assert!(there.insert(path, revision).is_none());
            }
        }
        assert_eq!(numbers.iter().max().copied().unwrap_or(0), numbers.len() as u64, "a number is missing");
    }
    for path in ledger.stored.iter().chain(ledger.jobs.values().flatten()) {
        assert!(there.contains_key(path), "{path} was acknowledged and is lost");
    }
    for (path, revision) in &there {
        let sent = ledger.sent.get(path);
        assert_eq!(sent, Some(&revision.input_sha256), "{path} is not what was sent");
        let report = client.get(format!("{base}{}", revision.report_url)).send().await.unwrap();
        let report: Value = report.json().await.unwrap();
        assert_eq!(report["input"]["sha256"], json!(revision.input_sha256), "{path}");
        let one = client.get(format!("{base}{path}")).send().await.unwrap();
        assert_eq!(one.json::<Revision>().await.unwrap(), *revision);
        let input = client.get(format!("{base}{path}/input")).send().await.unwrap().bytes().await.unwrap();
        assert_eq!(digest(&input), revision.input_sha256, "{path}");
    }
    let mut blobs = 0;
    for part in std::fs::read_dir(folder.join("blobs")).unwrap() {
        let part = part.unwrap().path();
        for blob in part.is_dir().then(|| std::fs::read_dir(&part).unwrap()).into_iter().flatten() {
            let blob = blob.unwrap();
            let name = blob.file_name().to_string_lossy().into_owned();
            // Half-written ones have a name that nobody asks for.
            if !name.starts_with('.') {
                assert_eq!(digest(&std::fs::read(blob.path()).unwrap()), name);
                blobs += 1;
            }
        }
    }
    let told = format!(
        "{kills} kills: {} acknowledged as stored, {} as jobs, {} requests unanswered; {} revisions, {blobs} blobs, \
         {again} jobs run again",
        ledger.stored.len(),
        ledger.jobs.len(),
        ledger.unanswered,
        there.len()
    );
    std::io::Write::write_all(&mut std::io::stderr(), format!("{told}\n").as_bytes()).unwrap();
    // Otherwise nothing was tried.
    let acknowledged = ledger.stored.len() + ledger.jobs.len();
    assert!(!ledger.stored.is_empty() && !ledger.jobs.is_empty(), "{told}");
    assert!(acknowledged as u64 > kills, "{told}");
    assert!(ledger.unanswered > 0 && (kills < 20 || again > 0), "{told}");
}

async fn finished(client: &Client, base: &str, place: &str) -> Job {
    for _ in 0..20 {
        let get = client.get(format!("{base}{place}")).header("prefer", "wait=4");
        let answer = get.send().await.unwrap();
        assert_eq!(answer.status(), StatusCode::OK, "{place} was acknowledged and is lost");
        let job: Job = answer.json().await.unwrap();
        if job.state.is_over() {
            return job;
        }
    }
    panic!("{place} is never over");
}
