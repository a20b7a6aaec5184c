//! `/v1/repairs`.

use condyle_api::Problem;
use condyle_core::repair::Repairs;
use condyle_core::report::Report;
use condyle_tests::{Service, broken_plan, glb, plan, triangle};
use reqwest::StatusCode;
use reqwest::multipart::{Form, Part};
use serde_json::{Value, json};

const PLAN: &str = "application/vnd.condyle.plan+json";

#[tokio::test]
async fn a_dry_run_lists_and_a_plan_comes_back_with_its_text() {
    let service = Service::start().await;
    let url = service.url("/v1/repairs?as_of=2026-11-25");
    let text = serde_json::to_string_pretty(&broken_plan("heron")).unwrap();
    let response = service.client.post(&url).body(text.clone()).send().await.unwrap();
    assert_eq!(response.status(), StatusCode::OK);
    assert_eq!(response.headers()["condyle-changes"], "1");
    let listing: Repairs = response.json().await.unwrap();
    assert_eq!(listing.repairs, "condyle.repairs/1");
    assert_eq!((listing.before.error, listing.after.error), (1, 0));
    assert_eq!(listing.changes[0].fixed.check, "structure/unknown-parent");
    let repaired = service.client.post(&url).header("accept", PLAN).body(text.clone()).send().await.unwrap();
    assert_eq!(repaired.headers()["content-type"], PLAN);
    let repaired = repaired.text().await.unwrap();
    assert_eq!(repaired, text.replace("\"hisp\"", "\"hips\""));
    assert_eq!(listing.after_sha256, condyle_core::intake::file_digest(repaired.as_bytes()));
    let again = service.client.post(&url).header("accept", PLAN).body(repaired.clone()).send().await.unwrap();
    assert_eq!(again.headers()["condyle-changes"], "0");
    assert_eq!(again.text().await.unwrap(), repaired);
}

/// Weights of 0.8 on one vertex, which only a scaling by 1/0.8 brings to one.
fn light(uri: Option<&str>) -> (Value, Vec<u8>) {
    let (document, mut bin) = triangle(uri);
    bin[48..52].copy_from_slice(&0.8_f32.to_le_bytes());
    (document, bin)
}

#[tokio::test]
async fn a_model_comes_back_in_its_own_form() {
    let service = Service::start().await;
    let url = service.url("/v1/repairs");
    let (document, bin) = light(None);
    let before = glb(&document, &bin);
    let post = |accept: &'static str| service.client.post(&url).header("accept", accept).body(before.clone());
    let response = post("model/gltf-binary").send().await.unwrap();
    assert_eq!(response.headers()["content-type"], "model/gltf-binary");
    let after = response.bytes().await.unwrap();
    let (_, sound) = triangle(None);
    assert_eq!(after, glb(&document, &sound), "one weight is one again, and no other byte differs");
    let any = post("application/octet-stream, text/html;q=0.5").send().await.unwrap();
    assert_eq!(any.headers()["content-type"], "model/gltf-binary");
    let other = post("model/gltf+json").send().await.unwrap();
    assert_eq!(other.status(), StatusCode::NOT_ACCEPTABLE, "a GLB is not turned into a glTF JSON");
    // The buffer beside a glTF JSON is not ours to write: the new weights come in a buffer of their own.
    let (document, bin) = light(Some("body.bin"));
    let form = Form::new()
        .part("model", Part::text(document.to_string()).file_name("body.gltf"))
        .part("file", Part::bytes(bin.clone()).file_name("body.bin"));
    let response =
        service.client.post(&url).header("accept", "model/gltf+json").multipart(form).send().await.unwrap();
    let after: Value = response.json().await.unwrap();
    assert_eq!(after["buffers"][0], document["buffers"][0]);
    assert!(
        after["buffers"][1]["uri"].as_str().unwrap().starts_with("data:application/octet-stream;base64,")
    );
    let form = Form::new()
        .part("model", Part::text(after.to_string()).file_name("body.gltf"))
        .part("file", Part::bytes(bin).file_name("body.bin"));
    let report: Report = service
        .client
        .post(service.url("/v1/checks"))
        .multipart(form)
        .send()
        .await
        .unwrap()
        .json()
        .await
        .unwrap();
    assert!(report.findings.iter().all(|finding| finding.check != "skin/sum"), "{report:#?}");
}

#[tokio::test]
async fn fixes_are_chosen_by_fingerprint_and_unknown_ones_are_told() {
    let service = Service::start().await;
    let mut body = broken_plan("heron");
    body["joints"][2]["orientation"] = json!([0, 0, 0, 1.5]);
    let checks = service.client.post(service.url("/v1/checks")).json(&body);
    let report: Report = checks.send().await.unwrap().json().await.unwrap();
    let rigid = report.findings.iter().find(|f| f.check == "orientation/not-rigid").unwrap();
    let post = |fix: &str| service.client.post(service.url(&format!("/v1/repairs?fix={fix}"))).json(&body);
    let listing: Repairs = post(&rigid.fingerprint).send().await.unwrap().json().await.unwrap();
    let changed: Vec<&str> = listing.changes.iter().map(|c| c.fixed.fingerprint.as_str()).collect();
    assert_eq!(changed, [rigid.fingerprint.as_str()]);
    assert_eq!(listing.after.error, report.counts.error - 1);
    let all: Repairs = post("review").send().await.unwrap().json().await.unwrap();
    assert_eq!(all.after.error, 0);
    let unknown = post(&format!("{},{}", rigid.fingerprint, &rigid.fingerprint[..10])).send().await.unwrap();
    let problem: Problem = unknown.json().await.unwrap();
    assert_eq!((problem.kind.as_str(), problem.status), ("/problems/unknown-fingerprint", 422));
    assert_eq!(problem.pointer.as_deref(), Some("/fix/1"));
    assert_eq!(problem.suggestion.as_deref(), Some(rigid.fingerprint.as_str()));
    let none: Problem = post(",").send().await.unwrap().json().await.unwrap();
    assert_eq!(none.kind, "/problems/invalid-request");
    let image = post("safe").header("accept", "image/png").send().await.unwrap();
    assert_eq!(image.json::<Problem>().await.unwrap().kind, "/problems/not-acceptable");
}

#[tokio::test]
async fn what_builds_no_rig_is_no_repair_and_a_waived_finding_is_left_alone() {
    let service = Service::start().await;
    let url = service.url("/v1/repairs?as_of=2026-11-25");
    let broken =
        service.client.post(&url).body("{\"asset\": {\"version\": \"2.0\"}, ]").send().await.unwrap();
    assert_eq!(broken.json::<Problem>().await.unwrap().kind, "/problems/malformed-document");
    let waivers = r#"[{"check":"structure/*","subject":"chest","reason":"to be fixed tomorrow"}]"#;
    let form = Form::new()
        .part("plan", Part::text(broken_plan("heron").to_string()).file_name("heron.plan.json"))
        .text("waivers", waivers);
    let listing: Repairs =
        service.client.post(&url).multipart(form).send().await.unwrap().json().await.unwrap();
    assert!(listing.changes.is_empty() && listing.before.waived == 1);
    assert_eq!(listing.before_sha256, listing.after_sha256);
    let sound: Repairs =
        service.client.post(&url).json(&plan("heron")).send().await.unwrap().json().await.unwrap();
    assert!(sound.changes.is_empty() && sound.left.is_empty());
}

/// What is sent is what `openapi.json` says (JSON Schema 2020-12, by `jsonschema`).
#[tokio::test]
async fn the_list_is_as_described() {
    let description: Value = serde_json::from_str(&condyle_server::openapi::document()).unwrap();
    let root = json!({"$ref": "#/components/schemas/Repairs", "components": description["components"]});
    let validator = jsonschema::draft202012::new(&root).unwrap();
    let service = Service::start().await;
    let listing: Value = service
        .client
        .post(service.url("/v1/repairs"))
        .json(&broken_plan("heron"))
        .send()
        .await
        .unwrap()
        .json()
        .await
        .unwrap();
    let faults: Vec<String> =
        validator.iter_errors(&listing).map(|e| format!("{}: {e}", e.instance_path())).collect();
    assert!(faults.is_empty(), "{faults:?}");
}
