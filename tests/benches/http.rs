//! What a plan costs over HTTP beyond its check in process. In the same run and the same rounds: the service on
//! loopback, asked over one kept connection by a plain socket; the same bytes read, checked and written as JSON in
//! process; a bare axum handler that takes the body and answers one of the report's length, which is what loopback
//! itself costs; and the same handler when it keeps a blocking thread busy for as long as the check takes, which is
//! what waiting costs: processors that slept have to wake.
//! Answers are asserted: the service's report is the one made in process, byte for byte.
#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a bench may stop at the first surprise, and prints"
)]

use std::io::{Read as _, Write as _};
use std::net::TcpStream;
use std::time::{Duration, Instant};

use axum::body::Bytes;
use axum::routing::post;
use condyle_core::check::{Profile, Request, Unobserved, run};
use condyle_core::demo::{NAMES, character};
use condyle_core::intake::{Bundle, Limits, Upload, read};
use condyle_tests::Service;

const ROUNDS: usize = 2_000;
const DATE: &str = "2026-11-25";

fn main() {
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build().unwrap();
    let service = runtime.block_on(Service::start());
    let mut ours = Connection::to(&service.url(&format!("/v1/checks?as_of={DATE}")));
    println!(
        "{:<18} {:>6} {:>11} {:>9} {:>9} {:>9} {:>9} {:>9} {:>10} {:>12}",
        "plan",
        "joints",
        "process ms",
        "HTTP ms",
        "work ms",
        "inside ms",
        "bare ms",
        "busy ms",
        "beyond ms",
        "beyond busy"
    );
    let plans = NAMES.map(|name| (name, character(name, 300).unwrap().plan));
    for (name, plan) in plans.into_iter().chain([("with a line of 10", sixty())]) {
        let plan = plan.to_string();
        let (joints, report) = in_process(&plan);
        let mut first: Vec<Duration> = (0..200).map(|_| timed(|| in_process(&plan)).1).collect();
        first.sort_unstable();
        let mut bare = Connection::to(&runtime.block_on(handler(report.clone(), None)));
        let mut busy = Connection::to(&runtime.block_on(handler(report.clone(), Some(first[100]))));
        let mut times: [Vec<f64>; 6] = Default::default();
        for round in 0..ROUNDS {
            let ((_, json), process) = timed(|| in_process(&plan));
            let ((answer, told), http) = timed(|| ours.post(&plan));
            let ((echo, _), bare) = timed(|| bare.post(&plan));
            let (_, busy) = timed(|| busy.post(&plan));
            let ms = |duration: Duration| duration.as_secs_f64() * 1e3;
            let all = [ms(process), ms(http), told[0] + told[1], told[2], ms(bare), ms(busy)];
            times.iter_mut().zip(all).for_each(|(list, one)| list.push(one));
            if round == 0 {
                assert_eq!(String::from_utf8_lossy(&answer), json, "the same report");
                assert_eq!(echo.len(), json.len());
            }
        }
        let [process, http, work, inside, bare, busy] = times.map(|mut list| {
            list.sort_unstable_by(f64::total_cmp);
            list[list.len() / 2]
        });
        println!(
            "{name:<18} {joints:>6} {process:>11.3} {http:>9.3} {work:>9.3} {inside:>9.3} {bare:>9.3} {busy:>9.3} {:>10.3} {:>12.3}",
            http - process,
            http - busy
        );
    }
}

fn timed<T>(work: impl FnOnce() -> T) -> (T, Duration) {
    let start = Instant::now();
    let made = work();
    (made, start.elapsed())
}

/// A kept connection that asks for one path.
struct Connection {
    stream: TcpStream,
    head: String,
    buffer: Vec<u8>,
}

impl Connection {
    fn to(url: &str) -> Self {
        let (host, path) = url.strip_prefix("http://").unwrap().split_once('/').unwrap();
        let stream = TcpStream::connect(host).unwrap();
        stream.set_nodelay(true).unwrap();
        let head = format!("POST /{path} HTTP/1.1\r\nhost: {host}\r\ncontent-type: application/json\r\n");
        Self { stream, head, buffer: Vec::new() }
    }

    /// The answer's body, and what `Server-Timing` says of reading, checks and the whole, milliseconds.
    fn post(&mut self, body: &str) -> (Vec<u8>, [f64; 3]) {
        let request = format!("{}content-length: {}\r\n\r\n{body}", self.head, body.len());
        self.stream.write_all(request.as_bytes()).unwrap();
        self.buffer.clear();
        let mut part = vec![0; 65_536];
        loop {
            let end = self.buffer.windows(4).position(|four| four == b"\r\n\r\n").map(|at| at + 4);
            if let Some(end) = end {
                let head = std::str::from_utf8(&self.buffer[..end]).unwrap();
                assert!(head.starts_with("HTTP/1.1 200 "), "{head}");
                let field = |name: &str| head.lines().find_map(|line| line.strip_prefix(name));
                let length: usize = field("content-length: ").unwrap().parse().unwrap();
                if self.buffer.len() >= end + length {
                    let timing = field("server-timing: ").unwrap_or_default();
                    let told = ["read", "checks", "total"].map(|name| {
                        let one = |part: &str| part.strip_prefix(name)?.strip_prefix(";dur=")?.parse().ok();
                        timing.split(", ").find_map(one).unwrap_or(0.0)
                    });
                    return (self.buffer[end..end + length].to_vec(), told);
                }
            }
            let count = self.stream.read(&mut part).unwrap();
            assert!(count > 0, "the connection ended");
            self.buffer.extend_from_slice(&part[..count]);
        }
    }
}
/// The porter's plan and a mooring line of ten joints: sixty in all.
fn sixty() -> serde_json::Value {
    let mut plan = character("fiddler-porter", 300).unwrap().plan;
    let joints = plan["joints"].as_array_mut().unwrap();
    let mut parent = joints[0]["name"].clone();
    for number in 1..=10 {
        let name = format!("mooring_line_{number:02}");
        let at = |number: i32| [0.0, 0.2, -0.3 - 0.05 * f64::from(number)];
        joints.push(serde_json::json!({
            "name": name, "origin": at(number), "tip": at(number + 1), "parent": parent, "role": "carrying"
        }));
        parent = name.into();
    }
    assert_eq!(joints.len(), 60);
    plan
}

fn in_process(plan: &str) -> (usize, String) {
    let profile = Profile::realtime();
    let bundle =
        Bundle { model: Some(Upload { name: "upload.json", bytes: plan.as_bytes() }), ..Bundle::default() };
    let intake = read(&bundle, &Limits::default()).unwrap();
    let report = run(&intake, &Request::all(&profile, DATE.parse().unwrap()), &Unobserved).unwrap();
    (report.input.joints as usize, serde_json::to_string(&report).unwrap())
}

/// An axum handler that takes and gives as many bytes, and keeps a blocking thread busy in between.
async fn handler(report: String, busy: Option<Duration>) -> String {
    let router = axum::Router::new().route(
        "/",
        post(move |body: Bytes| {
            let report = report.clone();
            async move {
                assert!(!body.is_empty());
                if let Some(time) = busy {
                    let work = move || {
                        let start = Instant::now();
                        while start.elapsed() < time {
                            std::hint::spin_loop();
                        }
                    };
                    tokio::task::spawn_blocking(work).await.unwrap();
                }
                report
            }
        }),
    );
    let listener = tokio::net::TcpListener::bind(("127.0.0.1", 0)).await.unwrap();
    let address = listener.local_addr().unwrap();
    tokio::spawn(async move { axum::serve(listener, router).await });
    format!("http://{address}/")
}
