//! What happens to stored reports when a waiver ends. The day is an argument: no test waits for midnight.

use std::collections::BTreeSet;

use condyle_api::{Asset, EventKind, Revision, Summary};
use condyle_core::report::{Report, Verdict};
use condyle_server::app::rejudge::rejudge_ended;
use condyle_server::clock::today;
use condyle_tests::{Service, broken_plan, plan};
use serde_json::{Value, json};

const HERON: &str = "/v1/assets/tidepool/heron";

fn waived(until: &str) -> Value {
    let mut plan = broken_plan("heron");
    plan["waivers"] = json!([{
        "check": "structure/*", "subject": "*", "reason": "grown limb by limb", "by": "rigging", "until": until,
    }]);
    plan
}

async fn report(service: &Service, label: &str) -> Report {
    service.json(&format!("{HERON}/revisions/{label}/report")).await
}

#[tokio::test]
async fn a_waivers_end_changes_the_verdict_of_the_latest_revision_and_is_told() {
    let (service, app) = Service::open(|_| {}).await;
    let (today, tomorrow) = (today(), today().tomorrow().unwrap());
    let old = service.submit(&format!("{HERON}/revisions/v1"), &waived(&today.to_string())).await;
    let mut newer = waived(&today.to_string());
    newer["extras"] = json!({"mark": 2});
    let before = service.submit(&format!("{HERON}/revisions/v2"), &newer).await;
    assert_eq!((old.verdict, before.verdict), (Verdict::Pass, Verdict::Pass));
    service.submit("/v1/assets/tidepool/eel/revisions/v1", &plan("eel")).await;
    let tag = service.client.get(service.url(HERON)).send().await.unwrap().headers()["etag"].clone();
    let now_ms = condyle_server::clock::now_ms() + 86_400_000;
    assert_eq!(rejudge_ended(&app, today, now_ms).await.unwrap(), 0, "its last day counts");
    assert_eq!(rejudge_ended(&app, tomorrow, now_ms).await.unwrap(), 1);
    assert_eq!(rejudge_ended(&app, tomorrow, now_ms).await.unwrap(), 0, "once");
    let after: Revision = service.json(&format!("{HERON}/revisions/v2")).await;
    assert_eq!((after.verdict, after.counts.waived), (Verdict::Fail, 0));
    assert_eq!((after.number, &after.input_sha256), (before.number, &before.input_sha256));
    // What a check of that day says of the same bytes.
    let fresh = service.client.post(service.url(&format!("/v1/checks?as_of={tomorrow}"))).json(&newer);
    let fresh: Report = fresh.send().await.unwrap().json().await.unwrap();
    let stored = report(&service, "v2").await;
    let prints = |report: &Report| -> BTreeSet<(String, String, bool)> {
        let of = |one: &condyle_core::report::Finding| {
            (one.check.clone(), one.fingerprint.clone(), one.waiver.is_some())
        };
        report.findings.iter().map(of).collect()
    };
    assert_eq!(prints(&stored), prints(&fresh));
    assert_eq!((stored.verdict, stored.counts, stored.as_of), (fresh.verdict, fresh.counts, tomorrow));
    // The revision before keeps what was said of it on its day.
    let earlier: Revision = service.json(&format!("{HERON}/revisions/v1")).await;
    assert_eq!(earlier.verdict, Verdict::Pass);
    assert_eq!(report(&service, "v1").await.as_of, today);
    let get = service.client.get(service.url(HERON)).header("if-none-match", tag).send().await.unwrap();
    assert_eq!(get.status(), reqwest::StatusCode::OK, "nobody is told that nothing changed");
    let asset: Asset = get.json().await.unwrap();
    assert_eq!(asset.latest.verdict, Verdict::Fail);
    let summary: Summary = service.json("/v1/summary?production=tidepool").await;
    assert_eq!((summary.verdicts.pass, summary.verdicts.fail), (1, 1));
    assert!(summary.checks.iter().any(|one| one.check == "structure/unknown-parent" && one.error == 1));
    let events = app.store.events(0, i64::MAX, None).await.unwrap();
    let kinds: Vec<EventKind> = events.iter().skip(3).map(|event| event.event).collect();
    assert_eq!(kinds, [EventKind::RevisionRejudged, EventKind::VerdictChanged]);
    for event in &events[3..] {
        assert_eq!((event.verdict_before, event.verdict), (Some(Verdict::Pass), Some(Verdict::Fail)));
        assert_eq!(event.reason.as_deref(), Some("waiver-expired"));
        assert_eq!((event.label.as_deref(), event.number), (Some("v2"), Some(2)));
    }
}

#[tokio::test]
async fn webhooks_are_told_and_a_waiver_for_good_never_ends() {
    let (service, app) = Service::open(|config| {
        condyle_tests::in_a_file(config);
        config.webhooks.hosts = vec!["127.0.0.1".into()];
        config.webhooks.networks = vec!["127.0.0.1".into()];
    })
    .await;
    let hook = json!({"url": "http://127.0.0.1:9/", "events": ["revision.rejudged", "verdict.changed"]});
    let hook = service.client.post(service.url("/v1/webhooks")).json(&hook).send().await.unwrap();
    let hook: condyle_api::WebhookSecret = hook.json().await.unwrap();
    let mut good = waived("2999-12-31");
    good["waivers"][0].as_object_mut().unwrap().remove("until");
    service.submit("/v1/assets/tidepool/heron/revisions/v1", &good).await;
    let mut crab = waived("2030-01-31");
    crab["asset"] = json!("crab");
    service.submit("/v1/assets/tidepool/crab/revisions/v1", &crab).await;
    let day = |text: &str| text.parse().unwrap();
    assert_eq!(rejudge_ended(&app, day("2030-01-31"), 0).await.unwrap(), 0);
    assert_eq!(rejudge_ended(&app, day("2050-01-01"), 0).await.unwrap(), 1);
    let page: condyle_api::DeliveryPage =
        service.json(&format!("/v1/webhooks/{}/deliveries", hook.webhook.id)).await;
    let kinds: Vec<EventKind> = page.items.iter().map(|one| one.kind).collect();
    assert_eq!(kinds, [EventKind::VerdictChanged, EventKind::RevisionRejudged]);
    // Rows of before this was kept are looked at once.
    let file = service.folder.join("condyle.sqlite");
    let options = sqlx::sqlite::SqliteConnectOptions::new().filename(file);
    let database = sqlx::SqlitePool::connect_with(options).await.unwrap();
    sqlx::query("UPDATE revisions SET waiver_ends = NULL").execute(&database).await.unwrap();
    assert_eq!(rejudge_ended(&app, day("2050-01-02"), 0).await.unwrap(), 0);
    let unknown = "SELECT COUNT(*) FROM revisions WHERE waiver_ends IS NULL";
    assert_eq!(sqlx::query_scalar::<_, i64>(unknown).fetch_one(&database).await.unwrap(), 0);
}
