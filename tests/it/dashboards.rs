//! What dashboards poll: lists with filters, the summary, badges; and how cheap that is.

use std::collections::BTreeSet;

use condyle_api::{AssetPage, Problem, Summary};
use condyle_tests::{Service, broken_plan, in_a_file, plan};
use reqwest::StatusCode;
use serde_json::Value;

fn path(production: &str, asset: &str, label: &str) -> String {
    format!("/v1/assets/{production}/{asset}/revisions/{label}")
}

async fn names(service: &Service, query: &str) -> Vec<String> {
    let page: AssetPage = service.json(&format!("/v1/assets?{query}")).await;
    page.items.into_iter().map(|item| format!("{}/{}", item.production, item.asset)).collect()
}

#[tokio::test]
async fn filters_hold_and_slips_are_told() {
    let service = Service::start().await;
    service.submit(&path("tidepool", "heron", "v1"), &plan("heron")).await;
    service.submit(&path("tidepool", "eel", "v1"), &broken_plan("eel")).await;
    service.submit(&path("shallows", "crab", "v1"), &broken_plan("crab")).await;
    assert_eq!(names(&service, "check=structure/unknown-parent").await, ["shallows/crab", "tidepool/eel"]);
    assert_eq!(names(&service, "check=structure&production=tidepool&verdict=fail").await, ["tidepool/eel"]);
    let page: AssetPage = service.json("/v1/assets?q=heron").await;
    let changed = page.items[0].changed_at.clone();
    assert!(names(&service, &format!("changed_since={changed}&q=heron")).await == ["tidepool/heron"]);
    assert!(names(&service, "changed_since=2999-01-01T00:00:00Z").await.is_empty());
    let problem = async |query: &str| -> Problem {
        let response = service.client.get(service.url(&format!("/v1/assets?{query}"))).send().await.unwrap();
        assert_eq!(response.status(), StatusCode::BAD_REQUEST, "{query}");
        response.json().await.unwrap()
    };
    assert_eq!(
        problem("check=structure/unknown-parnet").await.suggestion.as_deref(),
        Some("structure/unknown-parent")
    );
    assert!(problem("changed_since=yesterday").await.detail.contains("2026-11-25T08:00:00Z"));
    assert!(problem("fields=latest.verdit").await.detail.contains("did you mean latest.verdict?"));
}

#[tokio::test]
async fn fields_leave_out_the_rest_on_every_page() {
    let service = Service::start().await;
    for name in ["a", "b", "c"] {
        service.submit(&path("tidepool", name, "v1"), &plan(name)).await;
    }
    let url = service.url("/v1/assets?fields=asset,latest.verdict&limit=2");
    let response = service.client.get(url).send().await.unwrap();
    let link = response.headers()["link"].to_str().unwrap().to_owned();
    let first: Value = response.json().await.unwrap();
    assert_eq!(first["items"][0], serde_json::json!({"asset": "a", "latest": {"verdict": "pass"}}));
    let next = link.split(['<', '>']).nth(1).unwrap();
    let second: Value = service.json(next).await;
    assert_eq!(second["items"], serde_json::json!([{"asset": "c", "latest": {"verdict": "pass"}}]));
}

/// Whatever is submitted between two pages: what was there from the beginning comes once, and nothing comes twice.
#[tokio::test]
async fn pages_stay_whole_while_others_submit() {
    let service = Service::start().await;
    for number in 0..24 {
        let name = format!("m{number:02}");
        service.submit(&path("tidepool", &name, "v1"), &plan(&name)).await;
    }
    let mut seen = Vec::new();
    let mut url = "/v1/assets?limit=5".to_owned();
    let mut round = 0;
    loop {
        let response = service.client.get(service.url(&url)).send().await.unwrap();
        let link = response.headers().get("link").map(|link| link.to_str().unwrap().to_owned());
        let page: AssetPage = response.json().await.unwrap();
        seen.extend(page.items.into_iter().map(|item| item.asset));
        let Some(link) = link else { break };
        url = link.split(['<', '>']).nth(1).unwrap().to_owned();
        // Before the place, after it, and a new revision of what was seen.
        for name in [format!("a{round}"), format!("z{round}")] {
            service.submit(&path("tidepool", &name, "v1"), &plan(&name)).await;
        }
        service.submit(&path("tidepool", "m00", &format!("v{}", round + 2)), &broken_plan("m00")).await;
        round += 1;
    }
    let unique: BTreeSet<&String> = seen.iter().collect();
    assert_eq!(unique.len(), seen.len(), "{seen:?}");
    assert!(round >= 4);
    for number in 0..24 {
        assert!(unique.contains(&format!("m{number:02}")), "{number} is missing: {seen:?}");
    }
}

#[tokio::test]
async fn the_summary_counts_by_verdict_check_and_production_and_tells_the_trend() {
    let service = Service::start().await;
    service.submit(&path("tidepool", "heron", "v1"), &plan("heron")).await;
    service.submit(&path("tidepool", "heron", "v2"), &broken_plan("heron")).await;
    service.submit(&path("tidepool", "eel", "v1"), &plan("eel")).await;
    service.submit(&path("shallows", "crab", "v1"), &broken_plan("crab")).await;
    service.submit(&path("shallows", "crab", "v2"), &plan("crab")).await;
    let all: Summary = service.json("/v1/summary?days=3").await;
    assert_eq!((all.assets, all.revisions), (3, 5));
    assert_eq!((all.verdicts.pass, all.verdicts.warn, all.verdicts.fail), (2, 0, 1));
    assert_eq!(all.productions.len(), 2);
    assert!(all.oldest.unwrap() <= all.newest.unwrap());
    assert_eq!(all.trend.len(), 3);
    let today = all.trend.last().unwrap();
    assert_eq!((today.pass, today.fail, today.stored), (2, 1, 5));
    assert_eq!((today.worse, today.better), (1, 1));
    let check = all.checks.iter().find(|one| one.check == "structure/unknown-parent").unwrap();
    assert_eq!((check.assets, check.error), (1, 1), "only the latest revisions count");
    let one: Summary = service.json("/v1/summary?production=shallows").await;
    assert_eq!((one.assets, one.verdicts.fail, one.trend.len()), (1, 0, 30));
    assert!(one.checks.iter().all(|one| one.check != "structure/unknown-parent"));
    let missing = service.client.get(service.url("/v1/summary?production=nowhere")).send().await.unwrap();
    assert_eq!(missing.status(), StatusCode::NOT_FOUND);
    let days = service.client.get(service.url("/v1/summary?days=0")).send().await.unwrap();
    assert_eq!(days.status(), StatusCode::BAD_REQUEST);
}

/// The database is closed under the service: whatever still answers did not ask it. (A server that several processes
/// share is asked for its counter.)
#[tokio::test]
async fn what_did_not_change_is_answered_without_the_database() {
    let (service, app) = Service::open(in_a_file).await;
    service.submit(&path("tidepool", "heron", "v1"), &plan("heron")).await;
    let urls = [
        "/v1/summary",
        "/v1/assets?verdict=pass",
        "/v1/assets/tidepool/heron",
        "/v1/assets/tidepool/heron/revisions/v1/report",
        "/v1/assets/tidepool/heron/badge.svg",
        "/v1/productions",
    ];
    let mut tags = Vec::new();
    for url in urls {
        let response = service.client.get(service.url(url)).send().await.unwrap();
        assert_eq!(response.status(), StatusCode::OK, "{url}");
        tags.push(response.headers()["etag"].clone());
    }
    app.store.close().await;
    for (url, tag) in urls.iter().zip(&tags) {
        let asked = service.client.get(service.url(url)).header("if-none-match", tag).send().await.unwrap();
        assert_eq!((asked.status(), &asked.headers()["etag"]), (StatusCode::NOT_MODIFIED, tag), "{url}");
        let other =
            service.client.get(service.url(url)).header("if-none-match", "\"0\"").send().await.unwrap();
        assert_eq!(other.status(), StatusCode::SERVICE_UNAVAILABLE, "{url}");
        let text = service.client.get(service.url(url)).header("accept", "text/plain, */*");
        let text = text.header("if-none-match", tag).send().await.unwrap();
        assert_eq!(text.status(), StatusCode::SERVICE_UNAVAILABLE, "another form is another answer: {url}");
    }
}

#[tokio::test]
async fn every_write_is_seen_by_the_next_poll_and_a_restart_changes_no_tag() {
    let folder = tempfile::tempdir().unwrap();
    let service = Service::start_in(folder.path(), |_| {}).await;
    let tag = async |service: &Service, url: &str| {
        let response = service.client.get(service.url(url)).send().await.unwrap();
        response.headers()["etag"].clone()
    };
    service.submit(&path("tidepool", "heron", "v1"), &plan("heron")).await;
    let summary = tag(&service, "/v1/summary").await;
    let asked = async |service: &Service, tag: &reqwest::header::HeaderValue| {
        let get = service.client.get(service.url("/v1/summary")).header("if-none-match", tag);
        get.send().await.unwrap().status()
    };
    assert_eq!(asked(&service, &summary).await, StatusCode::NOT_MODIFIED);
    service.submit(&path("tidepool", "eel", "v1"), &plan("eel")).await;
    assert_eq!(asked(&service, &summary).await, StatusCode::OK);
    let after = tag(&service, "/v1/summary").await;
    let gone = service.client.delete(service.url("/v1/assets/tidepool/eel")).send().await.unwrap();
    assert_eq!(gone.status(), StatusCode::NO_CONTENT);
    assert_eq!(asked(&service, &after).await, StatusCode::OK);
    let last = tag(&service, "/v1/summary").await;
    service.stopped().await.unwrap();
    let service = Service::start_in(folder.path(), |_| {}).await;
    assert_eq!(asked(&service, &last).await, StatusCode::NOT_MODIFIED);
    assert_eq!(asked(&service, &after).await, StatusCode::OK);
}

#[tokio::test]
async fn badges_say_in_words_what_they_say_in_colour() {
    let service = Service::start().await;
    service.submit(&path("tidepool", "heron", "v1"), &plan("heron")).await;
    service.submit(&path("tidepool", "eel", "v1"), &broken_plan("eel")).await;
    let get = async |url: &str| service.client.get(service.url(url)).send().await.unwrap();
    let asset = get("/v1/assets/tidepool/eel/badge.svg").await;
    assert_eq!(asset.headers()["content-type"], "image/svg+xml");
    assert!(asset.headers().contains_key("etag"));
    let asset = asset.text().await.unwrap();
    assert!(asset.contains("<title>eel: fail</title>") && asset.contains("■ fail"), "{asset}");
    let all = get("/v1/productions/tidepool/badge.svg").await.text().await.unwrap();
    assert!(all.contains("<title>tidepool: 1 of 2 pass</title>"), "{all}");
    assert_eq!(get("/v1/productions/nowhere/badge.svg").await.status(), StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn the_page_filters_and_shows_the_trend_without_a_script() {
    let service = Service::start().await;
    service.submit(&path("tidepool", "heron", "v1"), &plan("heron")).await;
    service.submit(&path("tidepool", "heron", "v2"), &broken_plan("heron")).await;
    service.submit(&path("tidepool", "eel", "v1"), &plan("eel")).await;
    let page = async |query: &str| {
        let response = service.client.get(service.url(&format!("/{query}"))).send().await.unwrap();
        assert_eq!(response.status(), StatusCode::OK, "{query}");
        response.text().await.unwrap()
    };
    let all = page("").await;
    assert!(
        all.contains("/assets/tidepool/heron/difference")
            && all.contains("Verdicts that got worse: 1; better: 0")
    );
    assert!(all.contains("<svg class=\"trend\"") && !all.contains("<script"));
    let some = page("?check=structure/unknown-parent&since=2020-01-01&verdict=fail").await;
    assert!(some.contains("/assets/tidepool/heron/v2") && !some.contains("/assets/tidepool/eel/v1"));
    let none = page("?production=nowhere").await;
    assert!(none.contains("No asset is like that"));
}
