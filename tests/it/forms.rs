//! The forms of a report by `Accept`.

use condyle_tests::{Service, broken_plan, plan};
use reqwest::StatusCode;
use serde_json::Value;

const HERON: &str = "/v1/assets/tidepool/heron/revisions";

async fn get(service: &Service, path: &str, accept: &str) -> (StatusCode, String, String) {
    let answer = service.client.get(service.url(path)).header("accept", accept).send().await.unwrap();
    let kind = answer.headers()["content-type"].to_str().unwrap().to_owned();
    (answer.status(), kind, answer.text().await.unwrap())
}

#[tokio::test]
async fn every_form_is_made_by_its_media_type() {
    let service = Service::start().await;
    service.submit(&format!("{HERON}/v1"), &broken_plan("heron")).await;
    let report = format!("{HERON}/v1/report");
    for (accept, begins) in [
        ("application/json", "{\"report\":\"condyle.report/1\""),
        ("application/x-ndjson", "{\"report\":\"condyle.report/1\""),
        ("text/plain", "FAIL "),
        ("application/sarif+json", "{"),
        ("application/xml", "<?xml "),
        ("text/markdown", "#"),
        ("text/html", "<!"),
        ("text/vnd.condyle.annotations", "::"),
        ("application/vnd.condyle.code-quality+json", "["),
    ] {
        let (status, kind, body) = get(&service, &report, accept).await;
        assert_eq!(status, StatusCode::OK, "{accept}");
        assert!(kind.starts_with(accept), "{accept}: {kind}");
        assert!(body.to_lowercase().starts_with(&begins.to_lowercase()), "{accept}: {body}");
        assert!(body.contains("unknown-parent"), "{accept}: {body}");
    }
    let (_, _, lines) = get(&service, &report, "application/x-ndjson").await;
    assert_eq!((lines.lines().count(), lines.ends_with('\n')), (1, true));
    assert_eq!(get(&service, &report, "image/png").await.0, StatusCode::NOT_ACCEPTABLE);
}

#[tokio::test]
async fn new_findings_are_told_from_known_ones_where_the_form_can() {
    let service = Service::start().await;
    service.submit(&format!("{HERON}/v1"), &plan("heron")).await;
    service.submit(&format!("{HERON}/v2"), &broken_plan("heron")).await;
    let url = format!("{HERON}/v2/report?against=v1");
    let (status, _, body) = get(&service, &url, "application/sarif+json").await;
    assert_eq!(status, StatusCode::OK);
    let log: Value = serde_json::from_str(&body).unwrap();
    let states: Vec<(&str, &str)> = log["runs"][0]["results"]
        .as_array()
        .unwrap()
        .iter()
        .map(|one| (one["ruleId"].as_str().unwrap(), one["baselineState"].as_str().unwrap()))
        .collect();
    assert!(states.contains(&("structure/unknown-parent", "new")), "{states:?}");
    let (_, _, alone) = get(&service, &format!("{HERON}/v2/report"), "application/sarif+json").await;
    assert!(!alone.contains("baselineState"));
    assert_eq!(get(&service, &url, "application/json").await.0, StatusCode::BAD_REQUEST);
    let missing = get(&service, &format!("{HERON}/v2/report?against=v9"), "text/markdown").await;
    assert_eq!(missing.0, StatusCode::NOT_FOUND);
}

fn check_told(log: &Value, text: &str) {
    let results = log["runs"][0]["results"].as_array().unwrap();
    let one = results.iter().find(|one| one["ruleId"] == "structure/unknown-parent").unwrap();
    let replacement = &one["fixes"][0]["artifactChanges"][0]["replacements"][0];
    let region = &replacement["deletedRegion"];
    let line = text.lines().nth(region["startLine"].as_u64().unwrap() as usize - 1).unwrap();
    let ends = |key: &str| region[key].as_u64().unwrap() as usize - 1;
    let new = replacement["insertedContent"]["text"].as_str().unwrap();
    let mended = format!("{}{new}{}", &line[..ends("startColumn")], &line[ends("endColumn")..]);
    assert_eq!(mended.trim().trim_end_matches(','), "\"parent\": \"hips\"", "{line}: {replacement}");
}

/// At once, of a revision, and of a job.
#[tokio::test]
async fn a_patch_of_a_document_of_text_is_told_as_a_change_of_it() {
    let service = Service::start().await;
    let text = serde_json::to_string_pretty(&broken_plan("heron")).unwrap();
    let with = |request: reqwest::RequestBuilder| {
        request.header("content-type", "application/json").body(text.clone()).send()
    };
    let sarif = async |path: &str| -> Value {
        serde_json::from_str(&get(&service, path, "application/sarif+json").await.2).unwrap()
    };
    let post = || service.client.post(service.url("/v1/checks"));
    let at_once = with(post().header("accept", "application/sarif+json")).await.unwrap();
    check_told(&at_once.json().await.unwrap(), &text);
    with(service.client.put(service.url(&format!("{HERON}/v1")))).await.unwrap();
    check_told(&sarif(&format!("{HERON}/v1/report")).await, &text);
    let job = with(post().header("prefer", "respond-async")).await.unwrap();
    let job = job.headers()["location"].to_str().unwrap().to_owned();
    let over = service.client.get(service.url(&job)).header("prefer", "wait=30").send().await.unwrap();
    assert_eq!(over.json::<condyle_api::Job>().await.unwrap().state, condyle_api::JobState::Done);
    check_told(&sarif(&format!("{job}/report")).await, &text);
    let report = format!("{HERON}/v1/report");
    let (_, _, lines) = get(&service, &report, "text/vnd.condyle.annotations").await;
    assert!(lines.lines().all(|line| line.contains(",line=")), "{lines}");
}

/// A binary model has no text to change: the repair stands beside the result.
#[tokio::test]
async fn a_repair_of_a_binary_model_is_told_by_name() {
    let service = Service::start().await;
    let (document, mut bin) = condyle_tests::triangle(None);
    // The first weight: 1.0 becomes 0.5 (IEEE 754), so that the weights of a vertex no longer sum to one.
    bin[48..52].copy_from_slice(&0.5_f32.to_le_bytes());
    let put = service.client.put(service.url(&format!("{HERON}/v1")));
    let put = put.header("content-type", "model/gltf-binary").body(condyle_tests::glb(&document, &bin));
    assert_eq!(put.send().await.unwrap().status(), StatusCode::CREATED);
    let (_, _, body) = get(&service, &format!("{HERON}/v1/report"), "application/sarif+json").await;
    let log: Value = serde_json::from_str(&body).unwrap();
    let results = log["runs"][0]["results"].as_array().unwrap();
    let one = results.iter().find(|one| one["ruleId"] == "skin/sum").unwrap();
    assert_eq!(one["properties"]["fix"]["kind"], "repair", "{one}");
    assert!(results.iter().all(|one| one.get("fixes").is_none()));
}
