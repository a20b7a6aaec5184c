//! `/v1/assets`.

use condyle_api::{AssetPage, Problem, Revision, RevisionPage};
use condyle_tests::{Service, broken_plan, plan};
use reqwest::StatusCode;

const HERON: &str = "/v1/assets/tidepool/heron/revisions/v1";

#[tokio::test]
async fn the_same_bytes_are_a_no_op_and_other_bytes_a_conflict() {
    let service = Service::start().await;
    let put = |body: serde_json::Value| service.client.put(service.url(HERON)).json(&body);
    let first = put(plan("heron")).send().await.unwrap();
    assert_eq!(first.status(), StatusCode::CREATED);
    let tag = first.headers()["etag"].clone();
    assert_eq!(first.headers()["location"], HERON);
    let revision: Revision = first.json().await.unwrap();
    assert_eq!(revision.number, 1);
    let again = put(plan("heron")).send().await.unwrap();
    assert_eq!(again.status(), StatusCode::OK);
    assert_eq!(again.json::<Revision>().await.unwrap(), revision);
    let other = put(broken_plan("heron")).send().await.unwrap();
    assert_eq!(other.status(), StatusCode::CONFLICT);
    let wrong = put(broken_plan("heron")).header("if-match", "\"0\"").send().await.unwrap();
    assert_eq!(wrong.status(), StatusCode::PRECONDITION_FAILED);
    let replaced = put(broken_plan("heron")).header("if-match", tag).send().await.unwrap();
    assert_eq!(replaced.status(), StatusCode::CREATED);
    assert_eq!(replaced.json::<Revision>().await.unwrap().counts.error, 1);
}

#[tokio::test]
async fn a_report_has_a_strong_tag_and_answers_304() {
    let service = Service::start().await;
    service.client.put(service.url(HERON)).json(&plan("heron")).send().await.unwrap();
    let url = service.url(&format!("{HERON}/report"));
    let report = service.client.get(&url).send().await.unwrap();
    let tag = report.headers()["etag"].clone();
    assert!(tag.to_str().unwrap().starts_with('"'));
    let unchanged = service.client.get(&url).header("if-none-match", &tag).send().await.unwrap();
    assert_eq!(unchanged.status(), StatusCode::NOT_MODIFIED);
    let text = service.client.get(&url).header("accept", "text/plain").send().await.unwrap();
    assert_ne!(text.headers()["etag"], tag, "another form has another tag");
}

#[tokio::test]
async fn what_was_sent_comes_back() {
    let service = Service::start().await;
    let body = serde_json::to_vec(&plan("heron")).unwrap();
    let put =
        service.client.put(service.url(HERON)).header("content-type", "application/json").body(body.clone());
    let revision: Revision = put.send().await.unwrap().json().await.unwrap();
    let input = service.client.get(service.url(&format!("{HERON}/input"))).send().await.unwrap();
    assert_eq!(input.bytes().await.unwrap(), body);
    let known = |sha256: &str| service.client.head(service.url(&format!("/v1/inputs/{sha256}"))).send();
    assert_eq!(known(&revision.input_sha256).await.unwrap().status(), StatusCode::NO_CONTENT);
    assert_eq!(known(&"0".repeat(64)).await.unwrap().status(), StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn a_plan_for_another_asset_is_refused_and_not_stored() {
    let service = Service::start().await;
    let put = service.client.put(service.url(HERON)).json(&plan("eel")).send().await.unwrap();
    assert_eq!(put.status(), StatusCode::UNPROCESSABLE_ENTITY);
    assert_eq!(put.json::<Problem>().await.unwrap().kind, "/problems/asset-mismatch");
    assert_eq!(service.client.get(service.url(HERON)).send().await.unwrap().status(), StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn pages_follow_each_other_without_gaps_and_filters_hold() {
    let service = Service::start().await;
    for number in 0..7 {
        let name = format!("eel-{number}");
        let body = if number % 2 == 0 { plan(&name) } else { broken_plan(&name) };
        let url = service.url(&format!("/v1/assets/tidepool/{name}/revisions/v1"));
        assert_eq!(service.client.put(url).json(&body).send().await.unwrap().status(), StatusCode::CREATED);
    }
    let mut seen = Vec::new();
    let mut path = "/v1/assets?limit=3".to_owned();
    loop {
        let response = service.client.get(service.url(&path)).send().await.unwrap();
        let link = response.headers().get("link").map(|l| l.to_str().unwrap().to_owned());
        let page: AssetPage = response.json().await.unwrap();
        seen.extend(page.items.into_iter().map(|item| item.asset));
        let Some(link) = link else { break };
        path = link.split(['<', '>']).nth(1).unwrap().to_owned();
    }
    assert_eq!(seen, (0..7).map(|n| format!("eel-{n}")).collect::<Vec<_>>());
    let failed: AssetPage = service
        .client
        .get(service.url("/v1/assets?verdict=fail&q=eel"))
        .send()
        .await
        .unwrap()
        .json()
        .await
        .unwrap();
    assert_eq!(failed.items.len(), 3);
}

#[tokio::test]
async fn revisions_count_up_and_the_newest_comes_first() {
    let service = Service::start().await;
    for label in ["v1", "v2"] {
        let url = service.url(&format!("/v1/assets/tidepool/heron/revisions/{label}"));
        service.client.put(url).json(&plan("heron")).send().await.unwrap();
    }
    let url = service.url("/v1/assets/tidepool/heron/revisions");
    let list: RevisionPage = service.client.get(url).send().await.unwrap().json().await.unwrap();
    let labels: Vec<(&str, u64)> = list.items.iter().map(|r| (r.label.as_str(), r.number)).collect();
    assert_eq!(labels, [("v2", 2), ("v1", 1)]);
}
