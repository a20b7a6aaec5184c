//! Conditional requests (RFC 9110 §13).

use condyle_api::{Revision, RevisionPage};
use condyle_tests::{Service, broken_plan, plan};
use reqwest::StatusCode;

const HERON: &str = "/v1/assets/tidepool/heron/revisions/v1";

#[tokio::test]
async fn a_compressed_body_has_a_tag_of_its_own_that_is_understood_when_it_comes_back() {
    let service = Service::start().await;
    service.client.put(service.url(HERON)).json(&broken_plan("heron")).send().await.unwrap();
    let url = service.url(&format!("{HERON}/report"));
    let plain = service.client.get(&url).send().await.unwrap();
    let packed = service.client.get(&url).header("accept-encoding", "gzip").send().await.unwrap();
    assert_eq!(packed.headers()["content-encoding"], "gzip");
    let (plain, packed) = (plain.headers()["etag"].clone(), packed.headers()["etag"].clone());
    assert_ne!(plain, packed);
    for tag in [&plain, &packed] {
        let get = service.client.get(&url).header("accept-encoding", "gzip").header("if-none-match", tag);
        let answer = get.send().await.unwrap();
        assert_eq!((answer.status(), &answer.headers()["etag"]), (StatusCode::NOT_MODIFIED, tag));
        assert!(answer.headers()["vary"].to_str().unwrap().contains("accept-encoding"));
    }
    let weak = format!("\"other\", W/{}", plain.to_str().unwrap());
    let answer = service.client.get(&url).header("if-none-match", weak).send().await.unwrap();
    assert_eq!(answer.status(), StatusCode::NOT_MODIFIED);
}

#[tokio::test]
async fn if_match_replaces_even_by_the_same_bytes_and_the_tag_changes() {
    let service = Service::start().await;
    let put = |query: &str, body: &serde_json::Value| {
        service.client.put(service.url(&format!("{HERON}{query}"))).json(body)
    };
    let first = put("", &plan("heron")).send().await.unwrap();
    let tag = first.headers()["etag"].clone();
    let same = put("?profile=film", &plan("heron")).send().await.unwrap();
    assert_eq!(same.status(), StatusCode::OK);
    assert_eq!(same.json::<Revision>().await.unwrap().profile, "realtime", "the same bytes are a no-op");
    let judged = put("?profile=film", &plan("heron")).header("if-match", &tag).send().await.unwrap();
    assert_eq!(judged.status(), StatusCode::CREATED);
    assert_ne!(judged.headers()["etag"], tag);
    let revision: Revision = judged.json().await.unwrap();
    assert_eq!((revision.profile.as_str(), revision.number), ("film", 2));
    let retried = put("?profile=film", &plan("heron")).header("if-match", &tag).send().await.unwrap();
    assert_eq!(retried.status(), StatusCode::OK, "the effect is already there");
    let any = put("", &broken_plan("heron")).header("if-match", "*").send().await.unwrap();
    assert_eq!(any.status(), StatusCode::CREATED);
    let page: RevisionPage = service
        .client
        .get(service.url("/v1/assets/tidepool/heron/revisions"))
        .send()
        .await
        .unwrap()
        .json()
        .await
        .unwrap();
    assert_eq!(page.items.iter().map(|r| r.number).collect::<Vec<_>>(), [3]);
}

#[tokio::test]
async fn conditions_that_do_not_hold_are_told() {
    let service = Service::start().await;
    let put = |body: &serde_json::Value| service.client.put(service.url(HERON)).json(body);
    let missing = put(&plan("heron")).header("if-match", "*").send().await.unwrap();
    assert_eq!(missing.status(), StatusCode::PRECONDITION_FAILED);
    let new = put(&plan("heron")).header("if-none-match", "*").send().await.unwrap();
    assert_eq!(new.status(), StatusCode::CREATED);
    let there = put(&broken_plan("heron")).header("if-none-match", "*").send().await.unwrap();
    assert_eq!(there.status(), StatusCode::PRECONDITION_FAILED);
    let there: condyle_api::Problem = there.json().await.unwrap();
    assert_eq!(there.kind, "/problems/precondition-failed");
    let conflict = put(&broken_plan("heron")).send().await.unwrap();
    let problem: condyle_api::Problem = conflict.json().await.unwrap();
    assert_eq!(problem.kind, "/problems/revision-conflict");
    let tag = service.client.get(service.url(HERON)).send().await.unwrap().headers()["etag"].clone();
    assert!(problem.detail.contains(tag.to_str().unwrap()), "{}", problem.detail);
}

#[tokio::test]
async fn what_dashboards_poll_answers_304() {
    let service = Service::start().await;
    service.client.put(service.url(HERON)).json(&plan("heron")).send().await.unwrap();
    for path in [
        "/v1/assets",
        "/v1/assets/tidepool/heron",
        "/v1/assets/tidepool/heron/revisions",
        HERON,
        "/v1/productions",
        "/v1/catalogue",
        "/v1/catalogue/skin/sum",
        "/v1/profiles",
        "/v1/profiles/film",
        "/openapi.json",
    ] {
        let first = service.client.get(service.url(path)).send().await.unwrap();
        assert_eq!(first.status(), StatusCode::OK, "{path}");
        let tag = &first.headers()["etag"];
        let again = service.client.get(service.url(path)).header("if-none-match", tag).send().await.unwrap();
        assert_eq!(again.status(), StatusCode::NOT_MODIFIED, "{path}");
        let head = service.client.head(service.url(path)).send().await.unwrap();
        assert_eq!((head.status(), &head.headers()["etag"]), (StatusCode::OK, tag), "{path}");
    }
    service
        .client
        .put(service.url("/v1/assets/tidepool/eel/revisions/v1"))
        .json(&plan("eel"))
        .send()
        .await
        .unwrap();
}
