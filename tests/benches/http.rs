//! What a plan costs over HTTP beyond its check in process. In the same run and the same rounds: the service on
//! loopback, asked over one kept connection; the same bytes read, checked and written as JSON in process; and a bare
//! axum handler that takes the body and answers one of the report's length, which is what loopback itself costs.
//! Answers are asserted: the service's report is the one made in process, byte for byte.
#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a bench may stop at the first surprise, and prints"
)]

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
    runtime.block_on(measure());
}

async fn measure() {
    let service = Service::start().await;
    let url = service.url(&format!("/v1/checks?as_of={DATE}"));
    let client = condyle_tests::client();
    println!(
        "{:<18} {:>6} {:>11} {:>10} {:>10} {:>12} {:>12}",
        "plan", "joints", "process ms", "HTTP ms", "bare ms", "beyond ms", "beyond bare"
    );
    for name in NAMES {
        let plan = character(name, 300).unwrap().plan.to_string();
        let (joints, report) = in_process(&plan);
        let bare = bare(report.clone()).await;
        let mut times: [Vec<Duration>; 3] = Default::default();
        for round in 0..ROUNDS {
            let start = Instant::now();
            let (_, ours) = in_process(&plan);
            times[0].push(start.elapsed());
            let start = Instant::now();
            let answer = send(&client, &url, &plan).await;
            times[1].push(start.elapsed());
            let start = Instant::now();
            let echo = send(&client, &bare, &plan).await;
            times[2].push(start.elapsed());
            if round == 0 {
                assert_eq!(String::from_utf8_lossy(&answer), ours, "the same report");
                assert_eq!(echo.len(), ours.len());
            }
        }
        let [process, http, bare] = times.map(|mut list| {
            list.sort_unstable();
            list[list.len() / 2].as_secs_f64() * 1e3
        });
        println!(
            "{name:<18} {joints:>6} {process:>11.3} {http:>10.3} {bare:>10.3} {:>12.3} {:>12.3}",
            http - process,
            http - process - bare
        );
    }
}

fn in_process(plan: &str) -> (usize, String) {
    let profile = Profile::realtime();
    let bundle =
        Bundle { model: Some(Upload { name: "upload.json", bytes: plan.as_bytes() }), ..Bundle::default() };
    let intake = read(&bundle, &Limits::default()).unwrap();
    let report = run(&intake, &Request::all(&profile, DATE.parse().unwrap()), &Unobserved).unwrap();
    (report.input.joints as usize, serde_json::to_string(&report).unwrap())
}

async fn send(client: &reqwest::Client, url: &str, plan: &str) -> Bytes {
    let request = client.post(url).header("content-type", "application/json").body(plan.to_owned());
    let answer = request.send().await.unwrap();
    assert_eq!(answer.status(), 200);
    answer.bytes().await.unwrap()
}

/// An axum handler that does nothing but take and give as many bytes.
async fn bare(report: String) -> String {
    let router = axum::Router::new().route(
        "/",
        post(move |body: Bytes| {
            let report = report.clone();
            async move {
                assert!(!body.is_empty());
                report
            }
        }),
    );
    let listener = tokio::net::TcpListener::bind(("127.0.0.1", 0)).await.unwrap();
    let address = listener.local_addr().unwrap();
    tokio::spawn(async move { axum::serve(listener, router).await });
    format!("http://{address}/")
}
