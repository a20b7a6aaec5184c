//! `/v1/parents`.

use condyle_core::parenting::{Parents, Status};
use condyle_tests::{Service, plan};
use reqwest::StatusCode;
use reqwest::multipart::{Form, Part};
use serde_json::{Value, json};

/// The plan of the other tests without its parents.
fn undecided() -> Value {
    let mut plan = plan("heron");
    for joint in plan["joints"].as_array_mut().unwrap() {
        joint.as_object_mut().unwrap().remove("parent");
    }
    plan
}

#[tokio::test]
async fn a_plan_without_parents_gets_them_with_probabilities_and_a_patch() {
    let service = Service::start().await;
    let response = service.client.post(service.url("/v1/parents")).json(&undecided()).send().await.unwrap();
    assert_eq!(response.status(), StatusCode::OK);
    assert!(response.headers()["server-timing"].to_str().unwrap().contains("checks;dur="));
    let answer: Parents = response.json().await.unwrap();
    assert_eq!((answer.parents.as_str(), answer.proposed, answer.patch.len()), ("condyle.parents/1", 4, 4));
    assert!(answer.suggestions.iter().all(|one| one.status == Status::Proposed));
    // What hangs from the chest in the sound plan.
    for arm in ["arm_l", "arm_r"] {
        let one = answer.suggestions.iter().find(|one| one.joint == arm).unwrap();
        assert_eq!(one.parent.as_deref(), Some("chest"), "{one:?}");
        assert!(!one.reasons.is_empty() && one.probability > 0.0 && one.probability <= 1.0);
    }
}

#[tokio::test]
async fn parents_that_are_there_are_kept_unless_they_are_stripped() {
    let service = Service::start().await;
    let url = service.url("/v1/parents");
    let kept: Parents =
        service.client.post(&url).json(&plan("heron")).send().await.unwrap().json().await.unwrap();
    assert_eq!((kept.proposed, kept.patch.len()), (0, 0));
    assert!(kept.suggestions.iter().all(|one| one.status != Status::Proposed));
    let stripped: Parents = service
        .client
        .post(format!("{url}?strip=true"))
        .json(&plan("heron"))
        .send()
        .await
        .unwrap()
        .json()
        .await
        .unwrap();
    assert_eq!(stripped.proposed, 4);
}

#[tokio::test]
async fn answers_come_in_the_plan_or_as_a_part_and_only_the_probable_goes_into_the_patch() {
    let service = Service::start().await;
    let url = service.url("/v1/parents");
    let mut document = undecided();
    document["conventions"] = json!({"arms_hang_from": "hips"});
    let of = |answer: &Parents| {
        answer.suggestions.iter().find(|one| one.joint == "arm_r").unwrap().parent.clone().unwrap()
    };
    let answer: Parents =
        service.client.post(&url).json(&document).send().await.unwrap().json().await.unwrap();
    assert_eq!(of(&answer), "hips");
    let form = Form::new()
        .part("plan", Part::text(document.to_string()).file_name("heron.plan.json"))
        .text("answers", r#"{"arms_hang_from": "chest"}"#);
    let request = service.client.post(format!("{url}?min_probability=1")).multipart(form);
    let answer: Parents = request.send().await.unwrap().json().await.unwrap();
    assert_eq!(of(&answer), "chest", "the part beats the plan");
    let certain = answer.suggestions.iter().filter(|one| one.probability >= 1.0).count();
    assert!(answer.patch.len() <= certain, "{answer:?}");
}

/// A studio's profile that says what arms hang from.
const AGREED: &str = r#"
profile = "condyle.profile/1"
name = "tidepool"
about = "Tidepool Post"
extends = "realtime"

[conventions]
arms_hang_from = "hips"
gills_hang_from = "chest"
"#;

#[tokio::test]
async fn a_profile_answers_for_every_asset_also_in_the_fixes_of_checks() {
    let service = Service::start().await;
    let url = service.url("/v1/parents");
    let part = |document: &Value| {
        Form::new()
            .part("plan", Part::text(document.to_string()).file_name("heron.plan.json"))
            .text("profile", AGREED)
    };
    let suggest = async |form: Form| -> Parents {
        service.client.post(&url).multipart(form).send().await.unwrap().json().await.unwrap()
    };
    let of = |answer: &Parents| {
        answer.suggestions.iter().find(|one| one.joint == "arm_r").unwrap().parent.clone().unwrap()
    };
    let mut document = undecided();
    let answer = suggest(part(&document)).await;
    assert_eq!(of(&answer), "hips");
    assert!(answer.unused_answers.is_empty(), "what is agreed for all need not mean anything in one");
    let check = async |form: Form| -> Value {
        let url = service.url("/v1/checks?only=structure/unparented");
        service.client.post(url).multipart(form).send().await.unwrap().json().await.unwrap()
    };
    let fixed = |report: &Value| {
        let findings = report["findings"].as_array().unwrap();
        let arm = findings.iter().find(|one| one["subject"]["name"] == "arm_r").unwrap();
        arm["fix"]["patch"][0]["value"].as_str().unwrap().to_owned()
    };
    assert_eq!(fixed(&check(part(&document)).await), "hips");
    document["conventions"] = json!({"arms_hang_from": "chest"});
    assert_eq!(of(&suggest(part(&document)).await), "chest", "the plan beats the profile");
    assert_eq!(fixed(&check(part(&document)).await), "chest");
    let answers = part(&document).text("answers", r#"{"arms_hang_from": "hips"}"#);
    assert_eq!(of(&suggest(answers).await), "hips", "and the request both");

    // Kept under a name, and wrong.
    let put = async |text: String| {
        let put = service.client.put(service.url("/v1/profiles/tidepool")).body(text);
        put.header("content-type", "application/toml").send().await.unwrap()
    };
    assert!(put(AGREED.to_owned()).await.status().is_success());
    let by_name: Parents = {
        let post = service.client.post(format!("{url}?profile=tidepool")).json(&undecided());
        post.send().await.unwrap().json().await.unwrap()
    };
    assert_eq!(of(&by_name), "hips");
    let long = put(AGREED.replace("\"chest\"", &format!("\"{}\"", "x".repeat(257)))).await;
    assert!(long.status().is_client_error());
    assert!(long.text().await.unwrap().contains("conventions.gills_hang_from"));
}

#[tokio::test]
async fn what_cannot_be_judged_is_a_problem_with_its_place() {
    let service = Service::start().await;
    let url = service.url("/v1/parents");
    let mut ring = plan("heron");
    ring["joints"][0]["parent"] = json!("chest");
    let response = service.client.post(&url).json(&ring).send().await.unwrap();
    assert_eq!(response.status(), StatusCode::UNPROCESSABLE_ENTITY);
    let problem: Value = response.json().await.unwrap();
    assert_eq!(problem["type"], "/problems/invalid-document");
    assert!(problem["pointer"].as_str().unwrap().starts_with("/joints/"), "{problem}");
    let joints: Vec<Value> =
        (0..1_300).map(|i| json!({"name": format!("j{i}"), "origin": [f64::from(i), 0, 0]})).collect();
    let many = json!({"schema": "condyle.plan/1", "asset": "eel", "joints": joints});
    let response = service.client.post(&url).json(&many).send().await.unwrap();
    assert_eq!(response.status(), StatusCode::PAYLOAD_TOO_LARGE);
    let problem: Value = response.json().await.unwrap();
    assert_eq!((&problem["type"], &problem["max"]), (&json!("/problems/limit-exceeded"), &json!(1_200)));
    let response = service.client.post(format!("{url}?min_probability=2")).json(&ring).send().await.unwrap();
    assert_eq!(response.status(), StatusCode::BAD_REQUEST);
}

#[tokio::test]
async fn text_is_made_for_those_who_ask() {
    let service = Service::start().await;
    let request = service.client.post(service.url("/v1/parents")).json(&undecided());
    let text = request.header("accept", "text/plain").send().await.unwrap().text().await.unwrap();
    assert!(text.contains("arm_l <- chest") && text.contains("4 parents proposed"), "{text}");
}
