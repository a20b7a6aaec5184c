//! Gates that are pinned to a version of the catalogue.

use std::time::Duration;

use condyle_api::{Catalogue, Problem, Recheck, RecheckResultPage, RecheckState, Revision};
use condyle_core::difference::{Cause, Difference};
use condyle_core::report::{Report, Verdict};
use condyle_tests::{Service, glb, triangle};
use reqwest::StatusCode;
use serde_json::{Value, json};

/// A skin below a node that is moved: `bind/ignored-transform`, which came with the catalogue 1.0.0, finds it.
fn moved(mark: &str) -> Vec<u8> {
    let (mut document, bin) = triangle(None);
    document["nodes"][1]["translation"] = json!([0, 3, 0]);
    document["asset"]["extras"] = json!({"mark": mark});
    glb(&document, &bin)
}

const NEW: &str = "bind/ignored-transform";

/// A profile that fails what the new check finds.
const STRICT: &str = "profile = \"condyle.profile/1\"\nname = \"tidal\"\nabout = \"Tidepool Post\"\n\
    extends = \"realtime\"\n[checks.\"bind/ignored-transform\"]\nreason = \"viewers disagree about it\"\n\
    bands.moved.severity = \"error\"\n";

async fn check(service: &Service, query: &str) -> Result<Report, Problem> {
    let post = service.client.post(service.url(&format!("/v1/checks{query}"))).body(moved("a"));
    let answer = post.send().await.unwrap();
    if answer.status() == StatusCode::OK {
        return Ok(answer.json().await.unwrap());
    }
    Err(answer.json().await.unwrap())
}

fn finds(report: &Report) -> bool {
    report.findings.iter().any(|one| one.check == NEW)
}

async fn agree(service: &Service, policy: Value) -> reqwest::Response {
    let put = service.client.put(service.url("/v1/productions/tidepool/policy")).json(&policy);
    put.send().await.unwrap()
}

async fn submit(service: &Service, label: &str, query: &str) -> Revision {
    let path = format!("/v1/assets/tidepool/heron/revisions/{label}{query}");
    let put = service.client.put(service.url(&path)).body(moved(label)).send().await.unwrap();
    assert_eq!(put.status(), StatusCode::CREATED);
    put.json().await.unwrap()
}

#[tokio::test]
async fn a_request_can_be_judged_by_an_older_version() {
    let service = Service::start().await;
    let catalogue: Catalogue = service.json("/v1/catalogue").await;
    assert_eq!((catalogue.version.as_str(), catalogue.versions.len()), ("1.2.0", 4));
    let now = check(&service, "").await.unwrap();
    assert!(finds(&now) && now.catalogue == "1.2.0");
    let same = check(&service, "?catalogue=1.2.0").await.unwrap();
    assert_eq!(same, now, "naming the newest changes nothing");
    for query in ["?catalogue=0.9.0", "?catalogue=0.9.0&only=bind/ignored-transform"] {
        let then = check(&service, query).await.unwrap();
        assert_eq!(then.catalogue, "0.9.0");
        assert!(!finds(&then), "{query}");
        let idle = then.not_run.iter().find(|one| one.check == NEW).unwrap();
        assert!(idle.reason.contains("came with the catalogue 1.0.0"), "{}", idle.reason);
    }
    let unknown = check(&service, "?catalogue=0.9.1").await.unwrap_err();
    assert_eq!((unknown.kind.as_str(), unknown.status), ("/problems/unknown-catalogue", 400));
    assert_eq!(unknown.suggestion.as_deref(), Some("0.9.0"));
    let later =
        service.client.post(service.url("/v1/checks?catalogue=2.0")).header("prefer", "respond-async");
    let later: Problem = later.body(moved("a")).send().await.unwrap().json().await.unwrap();
    assert_eq!(later.kind, "/problems/unknown-catalogue", "refused before it is a job");
}

#[tokio::test]
async fn a_production_pins_its_gate_and_a_new_rule_is_no_new_fault_of_the_asset() {
    let service = Service::start().await;
    let stored = service.client.put(service.url("/v1/profiles/tidal")).body(STRICT).send().await.unwrap();
    assert_eq!(stored.status(), StatusCode::OK);
    let wrong: Problem = agree(&service, json!({"catalogue": "0.8.0"})).await.json().await.unwrap();
    assert_eq!(wrong.kind, "/problems/unknown-catalogue");
    assert_eq!(wrong.pointer.as_deref(), Some("/catalogue"));
    let agreed = agree(&service, json!({"profile": "tidal", "catalogue": "0.9.0"})).await;
    assert_eq!(agreed.status(), StatusCode::OK);
    // The production's word beats the request's.
    let pinned = submit(&service, "v1", "?catalogue=1.0.0").await;
    assert_eq!((pinned.catalogue.as_str(), pinned.profile.as_str()), ("0.9.0", "tidal"));
    assert_ne!(pinned.verdict, Verdict::Fail);
    agree(&service, json!({"profile": "tidal"})).await;
    let newest = submit(&service, "v2", "").await;
    assert_eq!((newest.catalogue.as_str(), newest.verdict), ("1.2.0", Verdict::Fail));
    let told: Difference = service.json("/v1/assets/tidepool/heron/difference?from=v1&to=v2").await;
    let new = told.findings.new.iter().find(|one| one.finding.check == NEW).unwrap();
    assert_eq!(new.cause, Cause::Rule, "the rule came, the asset stayed");
    // Back: the other way round it is the rule that went.
    let back: Difference = service.json("/v1/assets/tidepool/heron/difference?from=v2&to=v1").await;
    let gone = back.findings.fixed.iter().find(|one| one.finding.check == NEW).unwrap();
    assert_eq!(gone.cause, Cause::Rule);
}

#[tokio::test]
async fn a_campaign_judges_by_the_version_it_is_asked_for() {
    let service = Service::start().await;
    agree(&service, json!({"catalogue": "0.9.0"})).await;
    submit(&service, "v1", "").await;
    let campaign = async |body: Value| -> (Recheck, RecheckResultPage) {
        let begun = service.client.post(service.url("/v1/rechecks")).json(&body).send().await.unwrap();
        assert_eq!(begun.status(), StatusCode::ACCEPTED);
        let mut campaign: Recheck = begun.json().await.unwrap();
        for _ in 0..500 {
            if campaign.state == RecheckState::Done {
                break;
            }
            tokio::time::sleep(Duration::from_millis(20)).await;
            campaign = service.json(&format!("/v1/rechecks/{}", campaign.id)).await;
        }
        let results = service.json(&campaign.results).await;
        (campaign, results)
    };
    let (same, results) = campaign(json!({})).await;
    assert_eq!((results.items[0].new, results.items[0].fixed), (0, 0), "as the production agreed");
    assert_eq!(same.counts.changed, 0);
    let (newer, results) = campaign(json!({"catalogue": "1.0.0"})).await;
    assert_eq!((newer.catalogue.as_str(), newer.counts.changed), ("1.0.0", 1));
    assert_eq!((results.items[0].new, results.items[0].fixed), (1, 0));
    let report: Report = service.json(results.items[0].report.as_ref().unwrap()).await;
    assert!(report.catalogue == "1.0.0" && finds(&report));
    let wrong = service.client.post(service.url("/v1/rechecks")).json(&json!({"catalogue": "1.0.1"}));
    let wrong: Problem = wrong.send().await.unwrap().json().await.unwrap();
    assert_eq!(
        (wrong.kind.as_str(), wrong.suggestion.as_deref()),
        ("/problems/unknown-catalogue", Some("1.0.0"))
    );
}
