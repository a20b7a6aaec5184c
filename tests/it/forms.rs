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

#[tokio::test]
async fn a_patch_of_a_document_of_text_is_told_as_a_change_of_it() {
    let service = Service::start().await;
    let text = serde_json::to_string_pretty(&broken_plan("heron")).unwrap();
    let request = service.client.post(service.url("/v1/checks")).header("accept", "application/sarif+json");
    let request = request.header("content-type", "application/json").body(text.clone());
    let log: Value = request.send().await.unwrap().json().await.unwrap();
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
