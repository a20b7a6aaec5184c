//! `/v1/rechecks`.

use std::time::Duration;

use condyle_api::{
    Job, JobState, Problem, Recheck, RecheckPage, RecheckResult, RecheckResultPage, RecheckState,
};
use condyle_core::report::{Report, Verdict};
use condyle_server::worker;
use condyle_tests::{Service, broken_plan, plan};
use reqwest::StatusCode;
use serde_json::{Value, json};

/// Three assets pass and two fail; one of each is in another production.
async fn stored(service: &Service) {
    for (production, asset, sound) in [
        ("tidepool", "clerk", true),
        ("tidepool", "crab", false),
        ("tidepool", "eel", true),
        ("low-water", "heron", true),
        ("low-water", "porter", false),
    ] {
        let body = if sound { plan(asset) } else { broken_plan(asset) };
        let url = service.url(&format!("/v1/assets/{production}/{asset}/revisions/v1"));
        assert_eq!(service.client.put(url).json(&body).send().await.unwrap().status(), StatusCode::CREATED);
    }
}

async fn begin(service: &Service, request: &Value) -> Recheck {
    let answer = service.client.post(service.url("/v1/rechecks")).json(request).send().await.unwrap();
    assert_eq!(answer.status(), StatusCode::ACCEPTED);
    let place = answer.headers()["location"].to_str().unwrap().to_owned();
    let begun: Recheck = answer.json().await.unwrap();
    assert_eq!(place, format!("/v1/rechecks/{}", begun.id));
    begun
}

async fn read(service: &Service, id: &str) -> Recheck {
    service.client.get(service.url(&format!("/v1/rechecks/{id}"))).send().await.unwrap().json().await.unwrap()
}

async fn done(service: &Service, id: &str) -> Recheck {
    for _ in 0..3_000 {
        let found = read(service, id).await;
        if found.state == RecheckState::Done {
            return found;
        }
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    panic!("never done: {:?}", read(service, id).await);
}

async fn results(service: &Service, id: &str, query: &str) -> Vec<RecheckResult> {
    let mut path = format!("/v1/rechecks/{id}/results{query}");
    let mut all = Vec::new();
    loop {
        let answer = service.client.get(service.url(&path)).send().await.unwrap();
        assert_eq!(answer.status(), StatusCode::OK);
        let link = answer.headers().get("link").map(|link| link.to_str().unwrap().to_owned());
        all.extend(answer.json::<RecheckResultPage>().await.unwrap().items);
        let Some(link) = link else { return all };
        link.split(['<', '>']).nth(1).unwrap().clone_into(&mut path);
    }
}

/// The input of a campaign's report is the revision's, for as long as the revision holds what was checked.
#[tokio::test]
async fn the_report_of_a_campaign_is_shown_with_the_revisions_input() {
    let service = Service::start().await;
    stored(&service).await;
    let bare = "profile = \"condyle.profile/1\"\nname = \"bare\"\nabout = \"for a test\"\nextends = \"realtime\"\n\
                [checks.\"budget/joints\"]\nreason = \"for a test\"\nbands.most.limit = 1\nbands.most.severity = \"error\"\n";
    let put = service.client.put(service.url("/v1/profiles/bare")).body(bare).send().await.unwrap();
    assert!(put.status().is_success(), "{}", put.text().await.unwrap());
    let begun = begin(&service, &json!({"profile": "bare", "production": "tidepool"})).await;
    done(&service, &begun.id).await;
    let changed = results(&service, &begun.id, "?changed=true").await;
    let crab = changed.iter().find(|one| one.asset == "crab").unwrap();
    let report = crab.report.clone().unwrap();
    let get = async |path: &str, accept: &str| {
        let answer = service.client.get(service.url(path)).header("accept", accept).send().await.unwrap();
        (answer.status(), answer.text().await.unwrap())
    };
    let figure = report.replace("/report", "/figure");
    let (page, log) = (get(&report, "text/html").await.1, get(&report, "application/sarif+json").await.1);
    assert!(page.contains("<figure><svg ") && page.contains("budget/joints"), "{page}");
    assert!(log.contains("\"fixes\""), "{log}");
    assert_eq!(get(&figure, "*/*").await.0, StatusCode::OK);
    // Other bytes under the label.
    let url = service.url("/v1/assets/tidepool/crab/revisions/v1");
    let other = service.client.put(&url).header("if-match", "*").json(&plan("crab")).send().await.unwrap();
    assert!(other.status().is_success());
    let (status, page) = get(&report, "text/html").await;
    assert!(status == StatusCode::OK && !page.contains("<svg") && page.contains("budget/joints"), "{page}");
    assert_eq!(get(&figure, "*/*").await.0, StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn the_same_rules_find_the_same_and_other_rules_are_told_apart() {
    let service = Service::start().await;
    stored(&service).await;
    let begun = begin(&service, &json!({})).await;
    let same = done(&service, &begun.id).await;
    assert_eq!((same.counts.total, same.counts.done, same.counts.changed), (5, 5, 0));
    let all = results(&service, &begun.id, "?limit=2").await;
    let names: Vec<&str> = all.iter().map(|result| result.asset.as_str()).collect();
    assert_eq!(names, ["heron", "porter", "clerk", "crab", "eel"], "by production and asset");
    assert!(
        all.iter().all(|result| (result.new, result.fixed) == (0, 0) && result.report.is_none()),
        "{all:?}"
    );
    assert!(all.iter().all(|result| result.after == Some(result.before)));
    // A profile that does not mind a parent that no joint has.
    let lenient = "profile = \"condyle.profile/1\"\nname = \"lenient\"\nabout = \"for a test\"\nextends = \"realtime\"\n\
                   [checks.\"structure/unknown-parent\"]\nenabled = false\nreason = \"for a test\"\n";
    let put = service.client.put(service.url("/v1/profiles/lenient")).body(lenient).send().await.unwrap();
    assert!(put.status().is_success(), "{}", put.text().await.unwrap());
    let begun = begin(&service, &json!({"profile": "lenient", "as_of": "2026-11-25"})).await;
    assert_eq!(begun.request.as_of.as_deref(), Some("2026-11-25"));
    let other = done(&service, &begun.id).await;
    assert_eq!((other.counts.done, other.counts.changed), (5, 2));
    let changed = results(&service, &begun.id, "?changed=true").await;
    let names: Vec<&str> = changed.iter().map(|result| result.asset.as_str()).collect();
    assert_eq!(names, ["porter", "crab"]);
    let url = service.url("/v1/assets/tidepool/crab/revisions/v1/report");
    let before: Report = service.client.get(url).send().await.unwrap().json().await.unwrap();
    let crab = &changed[1];
    assert_eq!((crab.before, crab.state), (before.verdict, JobState::Done));
    assert_eq!(crab.before, Verdict::Fail);
    let after = service.client.get(service.url(crab.report.as_ref().unwrap())).send().await.unwrap();
    let after: Report = after.json().await.unwrap();
    assert_eq!((Some(after.verdict), after.profile.name.as_str()), (crab.after, "lenient"));
    // By hand: fingerprints of the one report that the other has not.
    let has = |report: &Report, fingerprint: &str| {
        report.findings.iter().any(|finding| finding.fingerprint == fingerprint)
    };
    let fixed = before.findings.iter().filter(|one| !has(&after, &one.fingerprint)).count();
    let new = after.findings.iter().filter(|one| !has(&before, &one.fingerprint)).count();
    assert!(fixed > 0 && before.findings.iter().any(|one| one.check == "structure/unknown-parent"));
    assert_eq!((crab.fixed, crab.new), (fixed as u64, new as u64));
    assert_eq!(crab.unchanged, (before.findings.len() - fixed) as u64);
    let url = service.url("/v1/assets/tidepool/crab/revisions/v1/report");
    let still: Report = service.client.get(url).send().await.unwrap().json().await.unwrap();
    assert_eq!(still.profile.name, "realtime", "what is stored stays as it is");
}

#[tokio::test]
async fn campaigns_are_listed_the_newest_first_page_by_page() {
    let service = Service::start().await;
    let empty: RecheckPage = service.json("/v1/rechecks").await;
    assert_eq!((empty.items.len(), empty.next), (0, None));
    stored(&service).await;
    let mut begun = Vec::new();
    for production in ["tidepool", "low-water", "tidepool", "nowhere", "tidepool"] {
        let id = begin(&service, &json!({"production": production})).await.id;
        begun.insert(0, done(&service, &id).await);
    }
    let mut path = "/v1/rechecks?limit=2".to_owned();
    let (mut met, mut pages) = (Vec::new(), 0);
    loop {
        let answer = service.client.get(service.url(&path)).send().await.unwrap();
        assert_eq!(answer.status(), StatusCode::OK);
        let link = answer.headers().get("link").map(|link| link.to_str().unwrap().to_owned());
        let page: RecheckPage = answer.json().await.unwrap();
        assert_eq!(page.next.is_some(), link.is_some());
        met.extend(page.items);
        pages += 1;
        let Some(link) = link else { break };
        link.split(['<', '>']).nth(1).unwrap().clone_into(&mut path);
    }
    assert_eq!((met, pages), (begun.clone(), 3), "each as it is told on its own");
    let totals: Vec<u64> = begun.iter().map(|one| one.counts.total).collect();
    assert_eq!(totals, [3, 0, 3, 2, 3]);
    let answer = service.client.get(service.url("/v1/rechecks")).send().await.unwrap();
    let tag = answer.headers()["etag"].clone();
    let again =
        service.client.get(service.url("/v1/rechecks")).header("if-none-match", tag).send().await.unwrap();
    assert_eq!(again.status(), StatusCode::NOT_MODIFIED);
    for wrong in ["limit=0", "limit=501", "cursor=zz", "cursor=f", "order=up"] {
        let answer = service.client.get(service.url(&format!("/v1/rechecks?{wrong}"))).send().await.unwrap();
        assert_eq!(answer.status(), StatusCode::BAD_REQUEST, "{wrong}");
    }
}

#[tokio::test]
async fn a_filter_chooses() {
    let (service, _app) = Service::open(|_| {}).await;
    stored(&service).await;
    for (request, names) in [
        (json!({"production": "tidepool"}), vec!["clerk", "crab", "eel"]),
        (json!({"verdict": "fail"}), vec!["porter", "crab"]),
        (json!({"check": "structure/unknown-parent"}), vec!["porter", "crab"]),
        (json!({"check": "skin/sum"}), vec![]),
        (json!({"check": "skin"}), vec![]),
        (json!({"q": "ER"}), vec!["heron", "porter", "clerk"]),
        (json!({"q": "%"}), vec![]),
        (json!({"production": "tidepool", "verdict": "fail", "check": "structure"}), vec!["crab"]),
    ] {
        let begun = begin(&service, &request).await;
        assert_eq!(begun.counts.total, names.len() as u64, "{request}");
        let chosen = results(&service, &begun.id, "").await;
        assert_eq!(chosen.iter().map(|r| r.asset.as_str()).collect::<Vec<_>>(), names, "{request}");
    }
    for (request, kind) in [
        (json!({"check": "skin/sun"}), "/problems/unknown-check"),
        (json!({"profile": "flim"}), "/problems/unknown-profile"),
        (json!({"as_of": "soon"}), "/problems/invalid-request"),
        (json!({"verdikt": "fail"}), "/problems/invalid-request"),
    ] {
        let answer = service.client.post(service.url("/v1/rechecks")).json(&request).send().await.unwrap();
        assert_eq!(answer.json::<Problem>().await.unwrap().kind, kind, "{request}");
    }
    let none = service.client.get(service.url("/v1/rechecks/none")).send().await.unwrap();
    assert_eq!(none.status(), StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn a_campaign_that_is_sent_again_with_its_key_is_one_campaign() {
    let (service, _app) = Service::open(|_| {}).await;
    stored(&service).await;
    let send = async |request: Value| {
        let post = service.client.post(service.url("/v1/rechecks")).header("idempotency-key", "\"nightly\"");
        post.json(&request).send().await.unwrap()
    };
    let first = send(json!({"production": "tidepool"})).await;
    let place = first.headers()["location"].clone();
    assert_eq!(send(json!({"production": "tidepool"})).await.headers()["location"], place);
    let other = send(json!({"production": "low-water"})).await;
    assert_eq!(other.json::<Problem>().await.unwrap().kind, "/problems/idempotency-key-reused");
}

#[tokio::test]
async fn what_is_no_campaign_is_refused() {
    let service = Service::start().await;
    for (request, named) in [
        (json!([]), "sequence"),
        (json!(["tidepool"]), "sequence"),
        (json!({"filter": {}}), "filter"),
        (json!({"verdict": "sunny"}), "sunny"),
    ] {
        let answer = service.client.post(service.url("/v1/rechecks")).json(&request).send().await.unwrap();
        assert_eq!(answer.status(), StatusCode::BAD_REQUEST, "{request}");
        let told: Problem = answer.json().await.unwrap();
        assert!(told.detail.contains(named), "{request}: {told:?}");
    }
}

#[tokio::test]
async fn a_campaign_is_paused_resumed_and_cancelled() {
    let (service, app) = Service::open(|_| {}).await;
    stored(&service).await;
    let post = async |id: &str, verb: &str| {
        service.client.post(service.url(&format!("/v1/rechecks/{id}/{verb}"))).send().await.unwrap()
    };
    let delete = async |id: &str| {
        service.client.delete(service.url(&format!("/v1/rechecks/{id}"))).send().await.unwrap()
    };
    let paused = begin(&service, &json!({})).await.id;
    let told: Recheck = post(&paused, "pause").await.json().await.unwrap();
    assert_eq!((told.state, told.counts.open), (RecheckState::Paused, 5));
    let cancelled = begin(&service, &json!({})).await.id;
    let told: Recheck = delete(&cancelled).await.json().await.unwrap();
    assert_eq!((told.state, told.counts.cancelled), (RecheckState::Cancelled, 5));
    assert_eq!(delete(&cancelled).await.status(), StatusCode::OK, "again changes nothing");
    let workers = worker::start(&app);
    // Work that comes later is done, so the workers have had the time.
    let url = service.url("/v1/assets/tidepool/heron/revisions/v1?priority=bulk");
    let put = service.client.put(url).header("prefer", "wait=30").json(&plan("heron"));
    assert_eq!(put.send().await.unwrap().status(), StatusCode::CREATED);
    assert_eq!(read(&service, &paused).await.counts.open, 5);
    assert_eq!(read(&service, &cancelled).await.counts.done, 0);
    assert_eq!(post(&cancelled, "resume").await.status(), StatusCode::CONFLICT);
    assert_eq!(post(&paused, "resume").await.status(), StatusCode::OK);
    assert_eq!(done(&service, &paused).await.counts.done, 5);
    let over = post(&paused, "pause").await;
    assert_eq!(over.json::<Problem>().await.unwrap().kind, "/problems/job-state");
    workers.stop().await;
}

#[tokio::test]
async fn a_gate_goes_before_a_campaign_and_a_revision_that_is_gone_is_told() {
    let (service, app) = Service::open(|config| config.work.threads = 1).await;
    stored(&service).await;
    let begun = begin(&service, &json!({"production": "tidepool"})).await;
    let url = service.url("/v1/assets/tidepool/crab/revisions/v1");
    let replace = service.client.put(&url).header("if-match", "*").json(&plan("crab"));
    assert_eq!(replace.send().await.unwrap().status(), StatusCode::CREATED);
    let url = service.url("/v1/assets/tidepool/gate/revisions/v1");
    let put = service.client.put(url).header("prefer", "respond-async").json(&plan("gate"));
    let gate = put.send().await.unwrap().headers()["location"].to_str().unwrap().to_owned();
    let workers = worker::start(&app);
    let campaign = done(&service, &begun.id).await;
    assert_eq!((campaign.counts.done, campaign.counts.dead), (2, 1));
    let gate: Job = service.client.get(service.url(&gate)).send().await.unwrap().json().await.unwrap();
    assert_eq!(gate.state, JobState::Done);
    let all = results(&service, &begun.id, "").await;
    let crab = all.iter().find(|result| result.asset == "crab").unwrap();
    assert_eq!((crab.state, crab.after), (JobState::Dead, None));
    assert_eq!(crab.problem.as_ref().unwrap().kind, "/problems/not-found");
    let eel: Vec<_> = all.iter().filter(|result| result.asset == "eel").collect();
    assert_eq!(eel[0].state, JobState::Done);
    workers.stop().await;
}
