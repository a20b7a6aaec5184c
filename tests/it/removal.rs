//! Deleting, retention, and what becomes of blobs.

use std::path::PathBuf;

use condyle_api::{AssetPage, Policy, Retention, Revision, RevisionPage};
use condyle_server::app::remove::sweep;
use condyle_tests::{Service, broken_plan, plan};
use reqwest::StatusCode;
use serde_json::json;

const DAY_MS: i64 = 86_400_000;

fn path(asset: &str, label: &str) -> String {
    format!("/v1/assets/tidepool/{asset}/revisions/{label}")
}

/// Where the blob of a revision of one file lies.
fn blob(service: &Service, revision: &Revision) -> PathBuf {
    service.folder.join("blobs").join(&revision.input_sha256[..2]).join(&revision.input_sha256)
}

async fn status(service: &Service, path: &str) -> StatusCode {
    service.client.get(service.url(path)).send().await.unwrap().status()
}

async fn delete(service: &Service, path: &str, tag: Option<&str>) -> StatusCode {
    let mut request = service.client.delete(service.url(path));
    if let Some(tag) = tag {
        request = request.header("if-match", tag);
    }
    request.send().await.unwrap().status()
}

async fn labels(service: &Service, asset: &str) -> Vec<String> {
    let page: RevisionPage = service.json(&format!("/v1/assets/tidepool/{asset}/revisions")).await;
    page.items.into_iter().map(|one| one.label).collect()
}

#[tokio::test]
async fn a_revision_goes_with_its_blob_and_a_shared_blob_stays() {
    let service = Service::start().await;
    // A plan that names no asset may be submitted for any; here the bytes are the same under two labels.
    let first = service.submit(&path("heron", "v1"), &plan("heron")).await;
    let second = service.submit(&path("heron", "v2"), &plan("heron")).await;
    let third = service.submit(&path("heron", "v3"), &broken_plan("heron")).await;
    assert_eq!(first.input_sha256, second.input_sha256);
    assert_eq!(delete(&service, &path("heron", "v1"), None).await, StatusCode::NO_CONTENT);
    assert_eq!(status(&service, &path("heron", "v1")).await, StatusCode::NOT_FOUND);
    assert!(blob(&service, &second).exists(), "v2 needs it");
    assert_eq!(status(&service, &format!("{}/input", path("heron", "v2"))).await, StatusCode::OK);
    assert_eq!(delete(&service, &path("heron", "v2"), None).await, StatusCode::NO_CONTENT);
    assert!(!blob(&service, &second).exists() && blob(&service, &third).exists());
    assert_eq!(delete(&service, &path("heron", "v2"), None).await, StatusCode::NOT_FOUND);
    // The same label and bytes again are a new revision, whole.
    let again = service.submit(&path("heron", "v1"), &plan("heron")).await;
    assert!(blob(&service, &again).exists());
    assert_eq!(again.number, 4, "a number never comes twice");
}

#[tokio::test]
async fn if_match_is_honoured_by_both() {
    let service = Service::start().await;
    service.submit(&path("heron", "v1"), &plan("heron")).await;
    let tag = async |path: &str| {
        let response = service.client.get(service.url(path)).send().await.unwrap();
        response.headers()["etag"].to_str().unwrap().to_owned()
    };
    let asset = "/v1/assets/tidepool/heron";
    let (revision_tag, asset_tag) = (tag(&path("heron", "v1")).await, tag(asset).await);
    assert_eq!(delete(&service, &path("heron", "v1"), Some("\"0\"")).await, StatusCode::PRECONDITION_FAILED);
    service.submit(&path("heron", "v2"), &plan("heron")).await;
    assert_eq!(delete(&service, asset, Some(&asset_tag)).await, StatusCode::PRECONDITION_FAILED);
    assert_eq!(delete(&service, &path("heron", "v1"), Some(&revision_tag)).await, StatusCode::NO_CONTENT);
    let now = tag(asset).await;
    assert_eq!(delete(&service, asset, Some(&now)).await, StatusCode::NO_CONTENT);
    assert_eq!(status(&service, asset).await, StatusCode::NOT_FOUND);
    assert_eq!(delete(&service, asset, Some("*")).await, StatusCode::PRECONDITION_FAILED);
    assert_eq!(delete(&service, asset, None).await, StatusCode::NOT_FOUND);
    let page: AssetPage = service.json("/v1/assets").await;
    assert!(page.items.is_empty());
}

#[tokio::test]
async fn without_its_latest_revision_an_asset_is_what_it_was_before() {
    let service = Service::start().await;
    service.submit(&path("heron", "v1"), &plan("heron")).await;
    service.submit(&path("heron", "v2"), &broken_plan("heron")).await;
    delete(&service, &path("heron", "v2"), None).await;
    let page: AssetPage = service.json("/v1/assets?verdict=pass").await;
    assert_eq!(page.items[0].latest.label, "v1");
}

#[tokio::test]
async fn retention_keeps_the_last_the_young_the_latest_and_the_baseline() {
    let (service, app) = Service::open(|_| {}).await;
    for label in ["approved", "v2", "v3", "v4", "v5"] {
        service.submit(&path("heron", label), &plan("heron")).await;
    }
    let now = condyle_server::clock::now_ms();
    let agree = async |retention: Retention| {
        let policy =
            Policy { baseline: Some("approved".into()), retention: Some(retention), ..Policy::default() };
        let put = service.client.put(service.url("/v1/productions/tidepool/policy")).json(&policy);
        assert_eq!(put.send().await.unwrap().status(), StatusCode::OK);
    };
    sweep(&app, now + 400 * DAY_MS).await.unwrap();
    assert_eq!(labels(&service, "heron").await.len(), 5, "without a rule everything stays");
    agree(Retention { keep_last: Some(3), keep_days: Some(7) }).await;
    sweep(&app, now + 6 * DAY_MS).await.unwrap();
    assert_eq!(labels(&service, "heron").await.len(), 5, "all are young");
    sweep(&app, now + 8 * DAY_MS).await.unwrap();
    assert_eq!(labels(&service, "heron").await, ["v5", "v4", "v3", "approved"]);
    agree(Retention { keep_last: None, keep_days: Some(7) }).await;
    sweep(&app, now + 8 * DAY_MS).await.unwrap();
    assert_eq!(labels(&service, "heron").await, ["v5", "approved"]);
    for wrong in
        [json!({"retention": {}}), json!({"retention": {"keep_last": 0}}), json!({"retention": {"keep": 3}})]
    {
        let put = service.client.put(service.url("/v1/productions/tidepool/policy")).json(&wrong);
        assert_eq!(put.send().await.unwrap().status(), StatusCode::BAD_REQUEST, "{wrong}");
    }
}

#[tokio::test]
async fn blobs_that_nobody_needs_go_when_they_are_old_enough() {
    let (service, app) = Service::open(|config| config.retention.orphans_s = 0).await;
    let revision = service.submit(&path("heron", "v1"), &plan("heron")).await;
    let orphan = condyle_core::intake::file_digest(b"left behind");
    app.blobs.put(&orphan, b"left behind").unwrap();
    let temporary = service.folder.join("blobs").join(&orphan[..2]).join(".half.1.1");
    std::fs::write(&temporary, b"half").unwrap();
    let (_, patient) = Service::open(|config| config.retention.orphans_s = 3_600).await;
    patient.blobs.put(&orphan, b"left behind").unwrap();
    let now = condyle_server::clock::now_ms();
    assert_eq!(sweep(&patient, now).await.unwrap().blobs, 0, "it may belong to a submission on its way");
    assert_eq!(sweep(&app, now).await.unwrap().blobs, 1);
    assert_eq!(app.blobs.get(&orphan).unwrap(), None);
    assert!(!temporary.exists() && blob(&service, &revision).exists());
}

/// One deletes what another submits, again and again: what is acknowledged last is whole.
#[tokio::test]
async fn a_blob_never_goes_from_under_a_revision_that_is_being_stored() {
    let service = Service::start().await;
    service.submit(&path("heron", "keep-0"), &plan("heron")).await;
    for round in 0..20 {
        let (old, new) =
            (path("heron", &format!("keep-{round}")), path("heron", &format!("keep-{}", round + 1)));
        let put = service.client.put(service.url(&new)).json(&plan("heron")).send();
        let (gone, put) = tokio::join!(delete(&service, &old, None), put);
        assert_eq!((gone, put.unwrap().status()), (StatusCode::NO_CONTENT, StatusCode::CREATED));
        assert_eq!(status(&service, &format!("{new}/input")).await, StatusCode::OK, "round {round}");
    }
}
