//! `/v1/differences` and `/v1/assets/…/difference`.

use condyle_api::Problem;
use condyle_core::difference::{Cause, Difference};
use condyle_tests::{Service, broken_plan, plan};
use reqwest::StatusCode;
use reqwest::multipart::{Form, Part};
use serde_json::json;

const HERON: &str = "/v1/assets/tidepool/heron";

fn label(label: &str) -> String {
    format!("{HERON}/revisions/{label}")
}

#[tokio::test]
async fn two_revisions_are_compared_by_finding_and_by_joint() {
    let service = Service::start().await;
    service.submit(&label("v1"), &broken_plan("heron")).await;
    let mut now = plan("heron");
    // 30 mm and 40 mm are 50 mm; the tallest extent is 0.6 m (y) against 1 m (x): S is 1 m.
    now["joints"][2]["origin"] = json!([0.23, 1.5, 0.04]);
    now["joints"]
        .as_array_mut()
        .unwrap()
        .push(json!({"name": "ring", "origin": [0, 1.1, 0], "parent": "hips"}));
    service.submit(&label("v2"), &now).await;
    let url = format!("{HERON}/difference");
    let difference: Difference = service.json(&url).await;
    assert_eq!((difference.from.name.as_str(), difference.to.name.as_str()), ("v1", "v2"));
    let fixed = difference.findings.fixed.iter().find(|one| one.finding.check == "structure/unknown-parent");
    assert_eq!(fixed.unwrap().cause, Cause::Asset);
    let skeleton = difference.skeleton.unwrap();
    assert_eq!(skeleton.size_before_mm, 1_000.0);
    assert_eq!(skeleton.added, ["ring"]);
    let moved: Vec<(&str, f64, f64)> =
        skeleton.moved.iter().map(|one| (one.joint.as_str(), one.distance_mm, one.share)).collect();
    assert_eq!(moved, [("arm_l", 50.0, 0.05)]);
    let back: Difference = service.json(&format!("{url}?from=v2&to=v1")).await;
    assert_eq!(back.skeleton.unwrap().removed, ["ring"]);
    assert!(back.findings.new.iter().any(|one| one.finding.check == "structure/unknown-parent"));
    let text = service.client.get(service.url(&url)).header("accept", "text/plain").send().await.unwrap();
    assert!(text.headers()["content-type"].to_str().unwrap().starts_with("text/plain"));
    let tag = text.headers()["etag"].clone();
    let body = text.text().await.unwrap();
    assert!(body.starts_with("v1 fail → v2 ") && body.contains("joint added      ring"), "{body}");
    let again = service.client.get(service.url(&url)).header("accept", "text/plain");
    let again = again.header("if-none-match", tag).send().await.unwrap();
    assert_eq!(again.status(), StatusCode::NOT_MODIFIED);
    let mut tags = std::collections::BTreeSet::new();
    for accept in ["application/json", "text/plain", "text/markdown", "text/html"] {
        let answer = service.client.get(service.url(&url)).header("accept", accept).send().await.unwrap();
        assert!(answer.headers()["content-type"].to_str().unwrap().starts_with(accept));
        tags.insert(answer.headers()["etag"].to_str().unwrap().to_owned());
        assert!(answer.text().await.unwrap().contains("ring"), "{accept}");
    }
    assert_eq!(tags.len(), 4, "each form has a tag of its own");
    let page = service.client.get(service.url("/assets/tidepool/heron/difference")).send().await.unwrap();
    let page = page.text().await.unwrap();
    assert!(page.contains("added ring") && page.contains("arm_l moved by 50.00 mm"), "{page}");
    assert!(!page.contains("<script") && !page.contains("http://") && !page.contains("https://"));
}

#[tokio::test]
async fn the_baseline_of_the_policy_is_what_is_compared_with() {
    let service = Service::start().await;
    for name in ["approved", "v2", "v3"] {
        service.submit(&label(name), &plan("heron")).await;
    }
    let url = format!("{HERON}/difference");
    let before: Difference = service.json(&url).await;
    assert_eq!((before.from.name.as_str(), before.to.name.as_str()), ("v2", "v3"));
    let put = |body: serde_json::Value| {
        service.client.put(service.url("/v1/productions/tidepool/policy")).json(&body).send()
    };
    assert_eq!(put(json!({"baseline": "approved"})).await.unwrap().status(), StatusCode::OK);
    let against: Difference = service.json(&url).await;
    assert_eq!((against.from.name.as_str(), against.to.name.as_str()), ("approved", "v3"));
    assert_eq!(put(json!({"baseline": "signed-off"})).await.unwrap().status(), StatusCode::OK);
    let missing = service.client.get(service.url(&url)).send().await.unwrap();
    assert_eq!(missing.status(), StatusCode::NOT_FOUND);
    let problem: Problem = missing.json().await.unwrap();
    assert!(
        problem.detail.contains("revision signed-off of tidepool/heron, the production's baseline"),
        "{problem:?}"
    );
    assert_eq!(put(json!({"baseline": "../x"})).await.unwrap().status(), StatusCode::BAD_REQUEST);
    let first =
        service.client.get(service.url(&format!("{HERON}/difference?from=nothing"))).send().await.unwrap();
    assert_eq!(first.status(), StatusCode::NOT_FOUND);
}

const TIGHT: &str = "profile = \"condyle.profile/1\"\nname = \"tight\"\nabout = \"two joints\"\nextends = \"handheld\"\n\
    [checks.\"budget/joints\"]\nreason = \"a test\"\nbands.most.limit = 2\nbands.most.severity = \"error\"\n";

/// The profile became stricter while the asset changed: the older input is judged again, and each finding is given to
/// the one that made it.
#[tokio::test]
async fn a_changed_rule_is_told_apart_from_a_changed_asset() {
    let service = Service::start().await;
    let stored = service.client.put(service.url("/v1/profiles/tight")).body(TIGHT).send().await.unwrap();
    assert_eq!(stored.status(), StatusCode::OK);
    service.submit(&format!("{}?profile=handheld", label("v1")), &plan("heron")).await;
    service.submit(&format!("{}?profile=tight", label("v2")), &plan("heron")).await;
    service.submit(&format!("{}?profile=tight", label("v3")), &broken_plan("heron")).await;
    let cause = |difference: &Difference, check: &str| {
        difference.findings.new.iter().find(|one| one.finding.check == check).map(|one| one.cause)
    };
    let rule: Difference = service.json(&format!("{HERON}/difference?from=v1&to=v2")).await;
    assert!(rule.same_input && rule.rules.profile);
    assert_eq!(cause(&rule, "budget/joints"), Some(Cause::Rule));
    let both: Difference = service.json(&format!("{HERON}/difference?from=v1&to=v3")).await;
    assert_eq!(cause(&both, "budget/joints"), Some(Cause::Rule));
    assert_eq!(cause(&both, "structure/unknown-parent"), Some(Cause::Asset));
    // The profile that judged v3 is no longer at hand: what both could have done is said to be so.
    let other = TIGHT.replace("limit = 2", "limit = 3");
    service.client.put(service.url("/v1/profiles/tight")).body(other).send().await.unwrap();
    let blind: Difference = service.json(&format!("{HERON}/difference?from=v1&to=v3")).await;
    assert_eq!(cause(&blind, "structure/unknown-parent"), Some(Cause::Either));
}

#[tokio::test]
async fn two_uploads_are_compared_and_nothing_is_kept() {
    let service = Service::start().await;
    let form = || {
        Form::new()
            .part("baseline", Part::text(plan("heron").to_string()).file_name("old.plan.json"))
            .part("plan", Part::text(broken_plan("heron").to_string()).file_name("new.plan.json"))
    };
    let url = service.url("/v1/differences");
    let difference: Difference =
        service.client.post(&url).multipart(form()).send().await.unwrap().json().await.unwrap();
    assert_eq!(
        (difference.from.name.as_str(), difference.to.name.as_str()),
        ("old.plan.json", "new.plan.json")
    );
    assert!(difference.findings.new.iter().any(|one| one.finding.check == "structure/unknown-parent"));
    let skeleton = difference.skeleton.unwrap();
    assert_eq!(skeleton.reparented.len(), 1);
    assert_eq!(skeleton.reparented[0].now.as_deref(), Some("hisp"));
    for (accept, begins) in [("text/markdown", "### old.plan.json "), ("text/html", "<!doctype html>")] {
        let request = service.client.post(&url).header("accept", accept).multipart(form());
        let answer = request.send().await.unwrap();
        let kind = answer.headers()["content-type"].to_str().unwrap().to_owned();
        assert!(kind.starts_with(accept) && answer.headers().contains_key("vary"), "{accept}: {kind}");
        let told = answer.text().await.unwrap();
        assert!(told.starts_with(begins), "{told}");
        for words in ["structure/unknown-parent", "joint reparented", "hisp"] {
            assert!(told.contains(words), "{words}: {told}");
        }
    }
    let sarif = service.client.post(&url).header("accept", "application/sarif+json").multipart(form());
    assert_eq!(sarif.send().await.unwrap().status(), StatusCode::NOT_ACCEPTABLE);
    let without = Form::new().part("plan", Part::text(plan("heron").to_string()));
    let without = service.client.post(&url).multipart(without).send().await.unwrap();
    assert_eq!(without.json::<Problem>().await.unwrap().kind, "/problems/invalid-multipart");
    let elsewhere = service.client.post(service.url("/v1/checks")).multipart(form()).send().await.unwrap();
    assert_eq!(elsewhere.json::<Problem>().await.unwrap().kind, "/problems/invalid-multipart");
    let list: condyle_api::AssetPage = service.json("/v1/assets").await;
    assert!(list.items.is_empty());
}
