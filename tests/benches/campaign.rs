//! How long a campaign takes: the demo's characters, as the demo submits them (plan and body of about 3,000 vertices),
//! under as many names as are asked for, each with bytes of its own; submitted over loopback, then checked again twice:
//! by the rules they were stored under, which must change nothing, and by another profile.
//!
//! `cargo bench --bench campaign -- 3000` (120 unless said); with `CONDYLE_TEST_STORE=postgres` on PostgreSQL. Two
//! threads check.
#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a bench may stop at the first surprise, and prints"
)]

use std::time::{Duration, Instant};

use condyle_api::{Recheck, RecheckPage, RecheckState};
use condyle_core::demo::{Character, NAMES, character};
use condyle_core::export::{Storage, write_glb};
use condyle_tests::Service;
use reqwest::StatusCode;
use reqwest::multipart::{Form, Part};
use serde_json::json;
use tokio::task::JoinSet;

/// Vertices of a character, about: the demo's resolution.
const VERTICES: usize = 3_000;
const THREADS: usize = 2;

fn main() {
    let assets = std::env::args().find_map(|word| word.parse::<usize>().ok()).unwrap_or(120);
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build().unwrap();
    runtime.block_on(measure(assets));
}

async fn measure(assets: usize) {
    let service = Service::start_with(|config| config.work.threads = THREADS).await;
    let characters: Vec<Character> = NAMES.iter().map(|name| character(name, VERTICES).unwrap()).collect();
    let begun = Instant::now();
    let mut bytes = 0;
    let mut running = JoinSet::new();
    for number in 0..assets {
        if running.len() > THREADS {
            running.join_next().await.unwrap().unwrap();
        }
        let (asset, plan, glb) = varied(&characters[number % characters.len()], number);
        bytes += plan.len() + glb.len();
        running.spawn(submit(service.client.clone(), service.url(&path(&asset)), plan, glb));
    }
    running.join_all().await;
    told("submitted and checked", assets, begun.elapsed());
    println!("{:>24} {:.1} MB", "of input", bytes as f64 / 1e6);
    for (what, request) in [("the same rules", json!({})), ("the profile film", json!({"profile": "film"}))] {
        let begun = Instant::now();
        let answer = service.client.post(service.url("/v1/rechecks")).json(&request).send().await.unwrap();
        assert_eq!(answer.status(), StatusCode::ACCEPTED);
        let id = answer.json::<Recheck>().await.unwrap().id;
        let queued = begun.elapsed();
        let over = loop {
            let found: Recheck = service.json(&format!("/v1/rechecks/{id}")).await;
            if found.state == RecheckState::Done {
                break found;
            }
            tokio::time::sleep(Duration::from_millis(50)).await;
        };
        let counts = over.counts;
        told(what, assets, begun.elapsed());
        println!("{:>24} {:.2} s, {} changed", "until it was queued", queued.as_secs_f64(), counts.changed);
        assert_eq!((counts.total, counts.done, counts.dead), (assets as u64, assets as u64, 0));
        if request == json!({}) {
            assert_eq!(counts.changed, 0, "nothing changes by itself");
        }
    }
    let list: RecheckPage = service.json("/v1/rechecks").await;
    assert_eq!(list.items.len(), 2);
}

fn told(what: &str, assets: usize, took: Duration) {
    let seconds = took.as_secs_f64();
    println!(
        "{what:>24} {assets} assets in {seconds:.1} s: {:.1} a second, {:.1} ms of each thread",
        assets as f64 / seconds,
        seconds * 1e3 * THREADS as f64 / assets as f64
    );
}

fn path(asset: &str) -> String {
    format!("/v1/assets/tidepool-post/{asset}/revisions/v1")
}

/// The character under another name, and with another name for its body: the same shape in other bytes.
fn varied(character: &Character, number: usize) -> (String, Vec<u8>, Vec<u8>) {
    let asset = format!("{}-{number:04}", character.name);
    let mut plan = character.plan.clone();
    plan["asset"] = json!(asset);
    let mut scene = character.scene.clone();
    scene.meshes[0].name = format!("{} {number:04}", scene.meshes[0].name);
    (asset, plan.to_string().into_bytes(), write_glb(&scene, &Storage::default()))
}

async fn submit(client: reqwest::Client, url: String, plan: Vec<u8>, glb: Vec<u8>) {
    let part = |bytes: Vec<u8>, file: &str, kind: &str| {
        Part::bytes(bytes).file_name(file.to_owned()).mime_str(kind).unwrap()
    };
    let form = Form::new()
        .part("plan", part(plan, "plan.json", "application/json"))
        .part("model", part(glb, "body.glb", "model/gltf-binary"));
    let answer = client.put(&url).multipart(form).send().await.unwrap();
    assert_eq!(answer.status(), StatusCode::CREATED, "{}", answer.text().await.unwrap());
}
