//! Profiles, production policies, reference skeletons and waivers, through HTTP.

use condyle_api::{Policy, Problem, ProfileEntry, ProfileList, Reference};
use condyle_core::report::{Report, Severity, Verdict};
use condyle_tests::{Service, broken_plan, glb, plan, triangle};
use reqwest::StatusCode;
use reqwest::multipart::{Form, Part};
use serde_json::json;

const STUDIO: &str = "profile = \"condyle.profile/1\"\nname = \"tidepool\"\nabout = \"Tidepool Post\"\nextends = \"film\"\n\
    [checks.\"structure/unknown-parent\"]\nreason = \"plans grow limb by limb\"\nbands.unknown.severity = \"note\"\n";

async fn put(service: &Service, path: &str, body: impl Into<reqwest::Body>) -> reqwest::Response {
    service.client.put(service.url(path)).body(body).send().await.unwrap()
}

async fn check(service: &Service, query: &str, document: &serde_json::Value) -> Report {
    let post = service.client.post(service.url(&format!("/v1/checks{query}"))).json(document);
    post.send().await.unwrap().json().await.unwrap()
}

#[tokio::test]
async fn a_stored_profile_is_listed_judges_and_is_extended() {
    let service = Service::start().await;
    let stored = put(&service, "/v1/profiles/tidepool", STUDIO).await;
    assert_eq!(stored.status(), StatusCode::OK);
    let tag = stored.headers()["etag"].clone();
    let got = service.client.get(service.url("/v1/profiles/tidepool")).send().await.unwrap();
    assert_eq!(got.headers()["etag"], tag);
    assert_eq!(got.json::<ProfileEntry>().await.unwrap().text.as_deref(), Some(STUDIO));
    let list = service.client.get(service.url("/v1/profiles")).send().await.unwrap();
    let names: Vec<String> =
        list.json::<ProfileList>().await.unwrap().items.into_iter().map(|one| one.name).collect();
    assert!(names.contains(&"tidepool".to_owned()) && names.is_sorted(), "{names:?}");
    let report = check(&service, "?profile=tidepool", &broken_plan("heron")).await;
    assert_eq!((report.profile.name.as_str(), report.verdict), ("tidepool", Verdict::Pass));
    let mut asking = broken_plan("heron");
    asking["profile"] = json!("tidepool");
    assert_eq!(check(&service, "", &asking).await.profile.name, "tidepool");
    let above = STUDIO.replace("\"tidepool\"", "\"shot\"").replace("\"film\"", "\"tidepool\"");
    assert_eq!(put(&service, "/v1/profiles/shot", above).await.status(), StatusCode::OK);
}

#[tokio::test]
async fn a_profile_with_a_mistake_is_refused_with_its_key() {
    let service = Service::start().await;
    let wrong = STUDIO.replace("bands.unknown", "bands.unknwon");
    let refused = put(&service, "/v1/profiles/tidepool", wrong).await;
    assert_eq!(refused.status(), StatusCode::UNPROCESSABLE_ENTITY);
    let problem: Problem = refused.json().await.unwrap();
    assert!(
        problem.detail.contains("checks.\"structure/unknown-parent\".bands.unknwon")
            && problem.detail.contains("did you mean unknown?"),
        "{}",
        problem.detail
    );
    for (path, body, status) in [
        ("/v1/profiles/other", STUDIO.to_owned(), StatusCode::BAD_REQUEST),
        (
            "/v1/profiles/film",
            STUDIO
                .replace("\"tidepool\"", "\"film\"")
                .replace("extends = \"film\"", "extends = \"realtime\""),
            StatusCode::CONFLICT,
        ),
        ("/v1/profiles/tidepool", "#".repeat(70_000), StatusCode::PAYLOAD_TOO_LARGE),
    ] {
        assert_eq!(put(&service, path, body).await.status(), status, "{path}");
    }
    let unknown = service.client.get(service.url("/v1/profiles/flim")).send().await.unwrap();
    assert_eq!(unknown.json::<Problem>().await.unwrap().suggestion.as_deref(), Some("film"));
}

#[tokio::test]
async fn a_profile_is_not_overwritten_unseen() {
    let service = Service::start().await;
    let url = service.url("/v1/profiles/tidepool");
    let first = put(&service, "/v1/profiles/tidepool", STUDIO).await.headers()["etag"].clone();
    let with = |tag: &reqwest::header::HeaderValue, body: String| {
        service.client.put(&url).header("if-match", tag).body(body).send()
    };
    let next = STUDIO.replace("limb by limb", "joint by joint");
    assert_eq!(with(&first, next.clone()).await.unwrap().status(), StatusCode::OK);
    assert_eq!(with(&first, next).await.unwrap().status(), StatusCode::PRECONDITION_FAILED);
}

#[tokio::test]
async fn the_productions_word_beats_the_request() {
    let service = Service::start().await;
    let path = "/v1/productions/tidepool-post/policy";
    let get = || service.client.get(service.url(path)).send();
    assert_eq!(get().await.unwrap().json::<Policy>().await.unwrap(), Policy::default());
    let agreed = json!({"profile": "film", "in_file_waivers": false});
    assert_eq!(put(&service, path, agreed.to_string()).await.status(), StatusCode::OK);
    assert_eq!(
        get().await.unwrap().json::<Policy>().await.unwrap(),
        Policy { profile: Some("film".into()), in_file_waivers: false, ..Policy::default() }
    );
    let mut document = broken_plan("heron");
    document["waivers"] =
        json!([{"check": "structure/unknown-parent", "reason": "tomorrow", "by": "rigging"}]);
    let url = service.url("/v1/assets/tidepool-post/heron/revisions/v1");
    let sent = service.client.put(format!("{url}?profile=strict")).json(&document).send().await.unwrap();
    assert_eq!(sent.status(), StatusCode::CREATED);
    let report: Report =
        service.client.get(format!("{url}/report")).send().await.unwrap().json().await.unwrap();
    assert_eq!((report.profile.name.as_str(), report.verdict), ("film", Verdict::Fail));
    assert_eq!((report.counts.waived, report.ignored_waivers.len()), (0, 1));
    // Elsewhere the same file's waiver counts.
    let report = check(&service, "", &document).await;
    assert_eq!((report.counts.waived, report.verdict), (1, Verdict::Pass));
    for (body, kind) in [
        (json!({"profile": "flim"}), "/problems/unknown-profile"),
        (json!({"profle": "film"}), "/problems/invalid-request"),
    ] {
        let refused = put(&service, path, body.to_string()).await;
        assert_eq!(refused.json::<Problem>().await.unwrap().kind, kind);
    }
}

#[tokio::test]
async fn an_asset_conforms_to_the_reference_that_the_profile_names_or_the_request_brings() {
    let service = Service::start().await;
    let mut short = plan("heron");
    short["joints"].as_array_mut().unwrap().remove(3);
    let naming = STUDIO.replace("extends", "reference = \"carrier\"\nextends");
    put(&service, "/v1/profiles/tidepool", naming).await;
    let idle = check(&service, "?profile=tidepool", &short).await;
    let why = idle.not_run.iter().find(|one| one.check == "structure/reference").unwrap();
    assert!(why.reason.contains("names a reference skeleton that was not given"), "{}", why.reason);
    let stored = put(&service, "/v1/references/carrier", plan("carrier").to_string()).await;
    assert_eq!(stored.status(), StatusCode::OK);
    assert_eq!(stored.json::<Reference>().await.unwrap().name, "carrier");
    let missing = |report: &Report| {
        let list: Vec<_> = report.findings.iter().filter(|one| one.check == "structure/reference").collect();
        assert_eq!(list.len(), 1, "{list:?}");
        assert!(list[0].message.contains("arm_r"), "{}", list[0].message);
    };
    missing(&check(&service, "?profile=tidepool", &short).await);
    let form = Form::new()
        .part("plan", Part::text(short.to_string()))
        .part("reference", Part::text(plan("carrier").to_string()));
    let brought = service.client.post(service.url("/v1/checks")).multipart(form).send().await.unwrap();
    missing(&brought.json().await.unwrap());
    let bad = put(&service, "/v1/references/carrier", "{}").await;
    assert!(bad.status().is_client_error(), "{}", bad.status());
}

#[tokio::test]
async fn waivers_are_read_from_root_asset_and_scene_of_a_gltf_and_judged_themselves() {
    let service = Service::start().await;
    let waiver = |until: &str| {
        json!({"condyle": {"waivers": [
        {"check": "structure/root", "subject": "x", "reason": "agreed", "by": "rigging", "until": until}]}})
    };
    let (mut document, bin) = triangle(None);
    document["extras"] = waiver("2026-01-01");
    document["asset"]["extras"] = waiver("2026-01-02");
    document["scenes"][0]["extras"] = waiver("2027-01-01");
    let post = service.client.post(service.url("/v1/checks?as_of=2026-06-01")).body(glb(&document, &bin));
    let report: Report = post.send().await.unwrap().json().await.unwrap();
    let mut found: Vec<(&str, &str, Severity)> = report
        .findings
        .iter()
        .filter(|one| one.check.starts_with("policy/"))
        .map(|one| (one.check.as_str(), one.subject.pointer.as_str(), one.severity))
        .collect();
    found.sort_unstable();
    assert_eq!(
        found,
        [
            ("policy/expired-waiver", "/asset/extras/condyle/waivers/0", Severity::Warning),
            ("policy/expired-waiver", "/extras/condyle/waivers/0", Severity::Warning),
            ("policy/unmatched-waiver", "/scenes/0/extras/condyle/waivers/0", Severity::Note),
        ]
    );
}

/// The profile schema accepts what the reader accepts and refuses what it refuses (JSON Schema 2020-12, by `jsonschema`).
#[test]
fn the_profile_schema_agrees_with_the_reader() {
    let schema: serde_json::Value = serde_json::from_str(&condyle_server::openapi::profile_schema()).unwrap();
    let validator = jsonschema::draft202012::new(&schema).unwrap();
    let sound = json!({"profile": "condyle.profile/1", "name": "tidepool", "about": "Tidepool Post",
        "reference": "carrier",
        "naming": {"reason": "a shell reads them", "allowed": "[a-z0-9_]", "longest": 24,
            "patterns": [{"role": "carrying", "glob": "*_hook", "reason": "hooks are hooks"}]},
        "checks": {"skin/sum": {"reason": "close shots", "bands": {"integer": {"limit": 1, "severity": "off"}}}},
        "overrides": [{"joints": "claw_*", "reason": "the joke",
            "checks": {"placement/mirror-drift": {"enabled": false}}}]});
    let agree = |document: &serde_json::Value| {
        let read = condyle_core::check::Profile::read(&document.to_string());
        assert_eq!(validator.is_valid(document), read.is_ok(), "{read:?}: {document}");
        read.is_ok()
    };
    assert!(agree(&sound));
    for (pointer, value) in [
        ("/about", json!(null)),
        ("/naming/longest", json!("long")),
        ("/naming/patterns/0/role", json!("deform")),
        ("/checks/skin~1sum/bands/integer/severity", json!("eror")),
        ("/checks/skin~1sum/bands/integer", json!({"limt": 1})),
        ("/overrides/0", json!({"joints": "claw_*", "checks": {}})),
    ] {
        let mut document = sound.clone();
        *document.pointer_mut(pointer).unwrap() = value;
        assert!(!agree(&document), "{pointer}");
    }
}
