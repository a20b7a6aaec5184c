//! `/v1/trial-binds`.

use std::time::Duration;

use condyle_api::{Job, JobKind, JobState, TrialBind};
use condyle_core::demo::character;
use condyle_core::export::{Storage, write_glb};
use condyle_core::intake::{Bundle, Limits, Upload, read};
use condyle_server::worker;
use condyle_tests::{Service, plan};
use reqwest::StatusCode;
use reqwest::multipart::{Form, Part};

fn form(plan: &serde_json::Value, model: Vec<u8>) -> Form {
    Form::new()
        .part("plan", Part::text(plan.to_string()).file_name("eel.plan.json"))
        .part("model", Part::bytes(model).file_name("eel.glb"))
}

#[tokio::test]
async fn a_plan_and_its_body_are_bound_on_trial() {
    let service = Service::start().await;
    let url = service.url("/v1/trial-binds?as_of=2026-11-25");
    let eel = character("lantern-eel", 1_000).unwrap();
    let glb = write_glb(&eel.scene, &Storage::default());
    let response = service.client.post(&url).multipart(form(&eel.plan, glb.clone())).send().await.unwrap();
    assert_eq!(response.status(), StatusCode::OK);
    assert_eq!(response.headers()["content-type"], "application/json");
    let answer: TrialBind = response.json().await.unwrap();
    let bind = answer.bind.unwrap();
    assert_eq!(answer.refused, None);
    assert_eq!(answer.report.counts.error, 0, "{:?}", answer.report.findings);
    let (owns, weight) =
        bind.joints.iter().fold((0.0, 0.0), |sum, joint| (sum.0 + joint.owns, sum.1 + joint.weight));
    assert!((owns - 1.0_f64).abs() < 1e-6 && (weight - 1.0_f64).abs() < 1e-6, "{owns} {weight}");

    let request = service.client.post(&url).header("accept", "model/gltf-binary");
    let response = request.multipart(form(&eel.plan, glb)).send().await.unwrap();
    assert_eq!(response.status(), StatusCode::OK);
    assert_eq!(response.headers()["content-type"], "model/gltf-binary");
    let bytes = response.bytes().await.unwrap();
    let model = Some(Upload { name: "bound.glb", bytes: &bytes });
    let bound = read(&Bundle { model, ..Bundle::default() }, &Limits::default()).unwrap();
    for joint in &bind.joints {
        assert!(bound.rig.joints.iter().any(|it| it.name.as_deref() == Some(&joint.name)), "{}", joint.name);
    }
}

#[tokio::test]
async fn a_trial_bind_without_a_body_is_the_callers_fault() {
    let service = Service::start().await;
    let form = Form::new().text("plan", plan("heron").to_string());
    let response = service.client.post(service.url("/v1/trial-binds")).multipart(form).send().await.unwrap();
    assert_eq!(response.status(), StatusCode::BAD_REQUEST);
    assert!(response.text().await.unwrap().contains("the parts plan and model"));
}

/// Waits for a job's end, half a minute at most.
async fn over(service: &Service, place: &str) -> Job {
    let get = service.client.get(service.url(place)).header("prefer", "wait=30");
    let found: Job = get.send().await.unwrap().json().await.unwrap();
    assert!(found.state.is_over(), "{found:?}");
    found
}

fn eel() -> (serde_json::Value, Vec<u8>) {
    let eel = character("lantern-eel", 1_000).unwrap();
    (eel.plan, write_glb(&eel.scene, &Storage::default()))
}

#[tokio::test]
async fn a_trial_bind_as_a_job_makes_what_it_makes_at_once() {
    let service = Service::start().await;
    let url = service.url("/v1/trial-binds?as_of=2026-11-25&influences=6");
    let (plan, glb) = eel();
    let post = || service.client.post(&url).multipart(form(&plan, glb.clone()));
    let now = post().send().await.unwrap().text().await.unwrap();
    let accepted = post().header("prefer", "respond-async").send().await.unwrap();
    assert_eq!(accepted.status(), StatusCode::ACCEPTED);
    assert_eq!(accepted.headers()["preference-applied"], "respond-async");
    let place = accepted.headers()["location"].to_str().unwrap().to_owned();
    let done = over(&service, &place).await;
    assert_eq!((done.kind, done.state), (JobKind::TrialBind, JobState::Done));
    assert_eq!(done.result, Some(format!("{place}/trial-bind")));
    assert_eq!(done.progress.done, done.progress.total);
    let get = async |path: String| service.client.get(service.url(&path)).send().await.unwrap();
    let bound = get(format!("{place}/trial-bind")).await;
    let tag = bound.headers()["etag"].clone();
    assert_eq!(bound.text().await.unwrap(), now);
    let again = service.client.get(service.url(&format!("{place}/trial-bind"))).header("if-none-match", tag);
    assert_eq!(again.send().await.unwrap().status(), StatusCode::NOT_MODIFIED);
    let answer: TrialBind = serde_json::from_str(&now).unwrap();
    assert_eq!(answer.bind.unwrap().influences, 6);
    // Its report alone, as of any job.
    let report = get(format!("{place}/report")).await.text().await.unwrap();
    assert_eq!(report, serde_json::to_string(&answer.report).unwrap());
    let text = service.client.get(service.url(&format!("{place}/report"))).header("accept", "text/plain");
    let text = text.send().await.unwrap().text().await.unwrap();
    assert!(text.contains("realtime"), "{text}");
    let figure = get(format!("{place}/figure")).await;
    assert_eq!(figure.status(), StatusCode::OK);
    let figure = figure.text().await.unwrap();
    assert!(figure.contains(plan["asset"].as_str().unwrap()), "{figure}");

    let waited = post().header("prefer", "wait=30").send().await.unwrap();
    assert_eq!(
        (waited.status(), &waited.headers()["preference-applied"]),
        (StatusCode::OK, &"wait=30".parse().unwrap())
    );
    assert_eq!(waited.text().await.unwrap(), now);
    // A job of another kind has bound nothing.
    let check = service.client.post(service.url("/v1/checks")).json(&plan).header("prefer", "respond-async");
    let check = check.send().await.unwrap().headers()["location"].to_str().unwrap().to_owned();
    over(&service, &check).await;
    assert_eq!(get(format!("{check}/trial-bind")).await.status(), StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn a_trial_bind_that_waits_can_be_cancelled_and_what_cannot_be_bound_is_refused_at_once() {
    // Nobody works here.
    let (service, _app) = Service::open(|_| {}).await;
    let (plan, glb) = eel();
    let url = service.url("/v1/trial-binds");
    let post =
        service.client.post(&url).multipart(form(&plan, glb.clone())).header("prefer", "respond-async");
    let place = post.send().await.unwrap().headers()["location"].to_str().unwrap().to_owned();
    let early = service.client.get(service.url(&format!("{place}/trial-bind"))).send().await.unwrap();
    assert_eq!(early.status(), StatusCode::CONFLICT);
    let cancelled = service.client.delete(service.url(&place)).send().await.unwrap();
    assert_eq!(cancelled.json::<Job>().await.unwrap().state, JobState::Cancelled);
    let gone = service.client.get(service.url(&format!("{place}/trial-bind"))).send().await.unwrap();
    assert_eq!(gone.status(), StatusCode::NOT_FOUND);

    let alone = Form::new().text("plan", plan.to_string());
    let refused = service.client.post(&url).multipart(alone).header("prefer", "respond-async");
    assert_eq!(refused.send().await.unwrap().status(), StatusCode::BAD_REQUEST);
    for (query, told) in [
        ("influences=0", "influences lies outside 1 to 8"),
        ("influences=9", "influences lies outside 1 to 8"),
        ("influences=-1", "the query is wrong"),
        ("colours=heat", "colours is winners; not heat"),
        ("views=back", "views are front, side and top; not back"),
        ("width=1000000", "width lies outside"),
        ("sweep=true", "the query is wrong"),
        ("profile=nobody", "nobody"),
    ] {
        let url = service.url(&format!("/v1/trial-binds?{query}"));
        for prefer in ["wait=0", "respond-async"] {
            let form = form(&plan, glb.clone());
            let refused =
                service.client.post(&url).multipart(form).header("prefer", prefer).send().await.unwrap();
            assert!(refused.status().is_client_error(), "{query}");
            assert!(refused.text().await.unwrap().contains(told), "{query}");
        }
    }
}

#[tokio::test]
async fn a_trial_bind_that_runs_stops_when_it_is_cancelled() {
    let (service, app) = Service::open(|config| config.work.threads = 1).await;
    let workers = worker::start(&app);
    let eel = character("lantern-eel", 60_000).unwrap();
    let glb = write_glb(&eel.scene, &Storage::default());
    let post = service.client.post(service.url("/v1/trial-binds")).multipart(form(&eel.plan, glb));
    let place = post.header("prefer", "respond-async").send().await.unwrap();
    let place = place.headers()["location"].to_str().unwrap().to_owned();
    let id = place.trim_start_matches("/v1/jobs/");
    // Steps are told once the skin's points are there; the bind has most of its work before it.
    let begun = async || app.desk.progress(id).filter(|(_, steps)| *steps > 0);
    let seen = async {
        while begun().await.is_none() {
            tokio::time::sleep(Duration::from_millis(1)).await;
        }
    };
    tokio::time::timeout(Duration::from_mins(2), seen).await.unwrap();
    let cancelled = service.client.delete(service.url(&place)).send().await.unwrap();
    assert_eq!(cancelled.json::<Job>().await.unwrap().state, JobState::Cancelled);
    let mut reached = (0, 0);
    while let Some(progress) = app.desk.progress(id) {
        reached = progress;
        tokio::time::sleep(Duration::from_millis(1)).await;
    }
    let (done, steps) = reached;
    assert!(done < steps, "{done} of {steps} steps alone");
    for what in ["trial-bind", "report", "figure"] {
        let none = service.client.get(service.url(&format!("{place}/{what}"))).send().await.unwrap();
        assert_eq!(none.status(), StatusCode::NOT_FOUND, "{what}");
    }
    workers.stop().await;
}

/// A skinned character whose mesh is taken off its skin: the joints of the skin are there, and nothing else says so.
fn unskinned(glb: &[u8]) -> Vec<u8> {
    let mut file = gltf_text(glb);
    for node in file.0["nodes"].as_array_mut().unwrap() {
        node.as_object_mut().unwrap().remove("skin");
    }
    for mesh in file.0["meshes"].as_array_mut().unwrap() {
        for primitive in mesh["primitives"].as_array_mut().unwrap() {
            let attributes = primitive["attributes"].as_object_mut().unwrap();
            attributes.retain(|name, _| !name.starts_with("JOINTS") && !name.starts_with("WEIGHTS"));
        }
    }
    let mut text = file.0.to_string().into_bytes();
    text.resize(text.len().next_multiple_of(4), b' ');
    // A GLB: header, JSON chunk, binary chunk (glTF 2.0 §4.4).
    let mut out = b"glTF\x02\0\0\0".to_vec();
    out.extend((12 + 8 + text.len() as u32 + 8 + file.1.len() as u32).to_le_bytes());
    out.extend((text.len() as u32).to_le_bytes());
    out.extend(b"JSON");
    out.extend(&text);
    out.extend((file.1.len() as u32).to_le_bytes());
    out.extend(b"BIN\0");
    out.extend(&file.1);
    out
}

/// The JSON and the binary chunk of a GLB.
fn gltf_text(glb: &[u8]) -> (serde_json::Value, Vec<u8>) {
    let length = u32::from_le_bytes(glb[12..16].try_into().unwrap()) as usize;
    let json = serde_json::from_slice(&glb[20..20 + length]).unwrap();
    (json, glb[20 + length + 8..].to_vec())
}

#[tokio::test]
async fn the_figure_of_a_job_shows_the_skeleton_that_was_bound() {
    let service = Service::start().await;
    let crab = character("fiddler-porter", 1_000).unwrap();
    let bare = unskinned(&write_glb(&crab.scene, &Storage::default()));
    let url = service.url("/v1/trial-binds");
    let post = service.client.post(&url).header("content-type", "model/gltf-binary").body(bare);
    let place = post.header("prefer", "respond-async").send().await.unwrap();
    let place = place.headers()["location"].to_str().unwrap().to_owned();
    assert_eq!(over(&service, &place).await.state, JobState::Done);
    let get =
        async |path: &str| service.client.get(service.url(&format!("{place}/{path}"))).send().await.unwrap();
    let answer: TrialBind = get("trial-bind").await.json().await.unwrap();
    let joints = answer.plan.unwrap()["joints"].as_array().unwrap().len();
    let figure = get("figure").await;
    assert_eq!(figure.status(), StatusCode::OK);
    let figure = figure.text().await.unwrap();
    assert!(figure.contains(&format!("{joints} joints")), "{figure}");
}

#[tokio::test]
async fn a_model_with_a_skeleton_needs_no_plan() {
    let service = Service::start().await;
    let crab = character("fiddler-porter", 4_000).unwrap();
    let skinned = write_glb(&crab.scene, &Storage::default());
    let bare = unskinned(&skinned);
    let url = service.url("/v1/trial-binds?as_of=2026-11-25");
    let post = || service.client.post(&url).header("content-type", "model/gltf-binary").body(bare.clone());
    let response = post().send().await.unwrap();
    assert_eq!(response.status(), StatusCode::OK);
    let answer: TrialBind = response.json().await.unwrap();
    let bind = answer.bind.unwrap_or_else(|| panic!("{:?}", answer.refused));
    let (before, _) = gltf_text(&skinned);
    let joints = before["skins"][0]["joints"].as_array().unwrap().len();
    let plan = answer.plan.unwrap();
    assert_eq!(plan["joints"].as_array().unwrap().len(), joints);
    assert!(bind.points > 3_000 && bind.joints.iter().map(|joint| joint.owns).sum::<f64>() > 0.99);
    // The plan that came back and the model say the same.
    let again = service.client.post(&url).multipart(form(&plan, bare.clone())).send().await.unwrap();
    let again: TrialBind = again.json().await.unwrap();
    assert_eq!(again.plan, None, "a plan came");
    let again = again.bind.unwrap();
    assert_eq!((again.points, again.pieces), (bind.points, bind.pieces));
    for (one, other) in again.joints.iter().zip(&bind.joints) {
        assert_eq!(one.name, other.name);
        // Numbers in text may differ in the last digit, and a tie may fall to the other side.
        assert!((one.owns - other.owns).abs() < 1e-3, "{one:?} {other:?}");
    }

    let bytes = post().header("accept", "model/gltf-binary").send().await.unwrap().bytes().await.unwrap();
    let (after, _) = gltf_text(&bytes);
    assert_eq!(after["nodes"].as_array().unwrap().len(), before["nodes"].as_array().unwrap().len());
    let model = Some(Upload { name: "bound.glb", bytes: &bytes });
    let bound = read(&Bundle { model, ..Bundle::default() }, &Limits::default()).unwrap();
    assert!(bound.rig.nodes.iter().filter(|node| node.mesh.is_some()).all(|node| node.skin.is_some()));

    let url = service.url("/v1/trial-binds?colours=winners");
    let coloured = service.client.post(&url).header("accept", "model/gltf-binary").body(bare.clone());
    let coloured = coloured.header("content-type", "model/gltf-binary").send().await.unwrap();
    let (coloured, _) = gltf_text(&coloured.bytes().await.unwrap());
    assert!(coloured["meshes"][0]["primitives"][0]["attributes"]["COLOR_0"].is_number());

    let drawn = post().header("accept", "image/svg+xml").send().await.unwrap();
    assert_eq!(drawn.headers()["content-type"], "image/svg+xml");
    assert_eq!(drawn.headers()["x-content-type-options"], "nosniff");
    let drawn = drawn.text().await.unwrap();
    assert!(drawn.starts_with("<svg") && drawn.matches("data-joint=").count() > 20);

    // Neither skeleton nor plan.
    let refused = service.client.post(service.url("/v1/trial-binds")).body(write_plain());
    let refused = refused.header("content-type", "model/gltf-binary").send().await.unwrap();
    assert_eq!(refused.status(), StatusCode::BAD_REQUEST);
    assert!(refused.text().await.unwrap().contains("no node of the model is plainly a joint"));
}

/// A triangle.
fn write_plain() -> Vec<u8> {
    use condyle_core::export::{Scene, SceneMesh, SceneNode};
    let mut scene = Scene::default();
    scene.meshes.push(SceneMesh {
        name: "sail".into(),
        positions: vec![[0.0; 3], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]],
        indices: vec![0, 1, 2],
        ..SceneMesh::default()
    });
    scene.nodes.push(SceneNode {
        name: Some("sail".into()),
        parent: None,
        translation: [0.0; 3],
        rotation: [0.0, 0.0, 0.0, 1.0],
        scale: [1.0; 3],
        mesh: Some(0),
        skin: None,
    });
    write_glb(&scene, &Storage::default())
}
