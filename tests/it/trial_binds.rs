//! `/v1/trial-binds`.

use condyle_api::TrialBind;
use condyle_core::demo::character;
use condyle_core::export::{Storage, write_glb};
use condyle_core::intake::{Bundle, Limits, Upload, read};
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
