//! The history of profiles, reference skeletons and policies: who, when, why; and that nothing is overwritten unseen.

use condyle_api::{Problem, Revision, Scope, VersionPage};
use condyle_core::report::Verdict;
use condyle_tests::{Service, broken_plan, plan};
use reqwest::{Response, StatusCode};
use serde_json::json;

fn profile(reason: &str) -> String {
    format!(
        "profile = \"condyle.profile/1\"\nname = \"house\"\nabout = \"Tidepool Post\"\nextends = \"film\"\n\
         [checks.\"structure/unknown-parent\"]\nreason = \"{reason}\"\nbands.unknown.severity = \"note\"\n"
    )
}

async fn put(service: &Service, path: &str, body: String, headers: &[(&str, &str)]) -> Response {
    let mut request = service.client.put(service.url(path)).body(body);
    for (name, value) in headers {
        request = request.header(*name, value.as_bytes());
    }
    request.send().await.unwrap()
}

async fn history(service: &Service, path: &str) -> VersionPage {
    service.json(&format!("{path}/history?content=true")).await
}

/// The four that have a history, with two states of each.
fn kept() -> [(&'static str, &'static str, [String; 2]); 4] {
    let waivers = |subject: &str| {
        json!([{"check": "structure/unknown-parent", "subject": subject, "reason": "limb by limb", "by": "rigging"}])
            .to_string()
    };
    let policy = |name: &str| json!({"profile": name, "in_file_waivers": true}).to_string();
    [
        ("/v1/profiles/house", "/v1/profiles/house", [profile("limb by limb"), profile("joint by joint")]),
        ("/v1/waivers/tidepool", "/v1/waivers/tidepool", [waivers("claw_*"), waivers("leg_*")]),
        (
            "/v1/productions/tidepool/policy",
            "/v1/productions/tidepool/policy",
            [policy("film"), policy("strict")],
        ),
        (
            "/v1/references/carrier",
            "/v1/references/carrier",
            [plan("carrier").to_string(), plan("porter").to_string()],
        ),
    ]
}

#[tokio::test]
async fn every_state_is_kept_with_its_time_and_its_reason() {
    let service = Service::start().await;
    for (path, _, [first, second]) in kept() {
        let none = service.client.get(service.url(&format!("{path}/history"))).send().await.unwrap();
        assert_eq!(none.status(), StatusCode::NOT_FOUND, "{path}");
        assert_eq!(put(&service, path, first.clone(), &[]).await.status(), StatusCode::OK, "{path}");
        let why = [("condyle-reason", "Größe geändert")];
        assert_eq!(put(&service, path, second.clone(), &why).await.status(), StatusCode::OK, "{path}");
        let past = history(&service, path).await;
        let told: Vec<_> = past.items.iter().map(|one| (one.number, one.why.as_deref())).collect();
        assert_eq!(told, [(2, Some("Größe geändert")), (1, None)], "{path}");
        assert!(past.items[0].at >= past.items[1].at && past.items.iter().all(|one| one.who.is_none()));
        if path.contains("references") {
            for (number, body) in [("1", &first), ("2", &second)] {
                let file = service.url(&format!("{path}/file?number={number}"));
                let bytes = service.client.get(file).send().await.unwrap().bytes().await.unwrap();
                assert_eq!(bytes, body.as_bytes());
            }
            let gone =
                service.client.get(service.url(&format!("{path}/file?number=3"))).send().await.unwrap();
            assert_eq!(gone.status(), StatusCode::NOT_FOUND);
        } else {
            let texts: Vec<_> = past.items.iter().filter_map(|one| one.content.as_deref()).collect();
            assert_eq!(texts, [second.as_str(), first.as_str()], "{path}");
        }
        // One by one it is the same list, and without its texts unless they are asked for.
        let page: VersionPage = service.json(&format!("{path}/history?limit=1")).await;
        assert!(page.items.len() == 1 && page.items[0].content.is_none());
        let rest: VersionPage =
            service.json(&format!("{path}/history?limit=1&cursor={}", page.next.unwrap())).await;
        assert_eq!((rest.items[0].number, rest.next), (1, None));
    }
}

#[tokio::test]
async fn nothing_is_overwritten_unseen() {
    let service = Service::start().await;
    for (path, read, [first, second]) in kept() {
        let created = put(&service, path, first.clone(), &[("if-none-match", "*")]).await;
        assert_eq!(created.status(), StatusCode::OK, "{path}");
        let seen = service.client.get(service.url(read)).send().await.unwrap();
        let tag = seen.headers()["etag"].to_str().unwrap().to_owned();
        assert!(tag.starts_with('"'), "a strong tag");
        assert_eq!(created.headers()["etag"], *tag, "{path}: writing tells the tag that reading does");
        let twice = put(&service, path, second.clone(), &[("if-none-match", "*")]).await;
        assert_eq!(twice.status(), StatusCode::PRECONDITION_FAILED, "{path}");
        let changed = put(&service, path, second.clone(), &[("if-match", &tag)]).await;
        assert_eq!(changed.status(), StatusCode::OK, "{path}");
        let late = put(&service, path, first.clone(), &[("if-match", &tag)]).await;
        assert_eq!(late.status(), StatusCode::PRECONDITION_FAILED, "{path}");
        assert_eq!(late.json::<Problem>().await.unwrap().kind, "/problems/precondition-failed");
        let any = put(&service, path, first.clone(), &[("if-match", "*")]).await;
        assert_eq!(any.status(), StatusCode::OK, "{path}");
        assert_eq!(history(&service, path).await.items.len(), 3, "{path}: refused ones leave no trace");
    }
    let missing = put(&service, "/v1/references/nobody", plan("x").to_string(), &[("if-match", "*")]).await;
    assert_eq!(missing.status(), StatusCode::PRECONDITION_FAILED);
}

#[tokio::test]
async fn of_two_that_saw_the_same_one_is_told() {
    let service = Service::start().await;
    for (path, read, [first, _]) in kept() {
        put(&service, path, first, &[]).await;
        let seen = service.client.get(service.url(read)).send().await.unwrap();
        let tag = seen.headers()["etag"].to_str().unwrap().to_owned();
        let bodies = (0..8).map(|n| match path {
            "/v1/profiles/house" => profile(&format!("reason {n}")),
            "/v1/waivers/tidepool" => {
                json!([{"check": "skin/sum", "reason": format!("reason {n}")}]).to_string()
            }
            "/v1/references/carrier" => plan(&format!("carrier-{n}")).to_string(),
            _ => json!({"baseline": format!("v{n}")}).to_string(),
        });
        let mut racing = tokio::task::JoinSet::new();
        for body in bodies {
            racing.spawn(service.client.put(service.url(path)).header("if-match", &tag).body(body).send());
        }
        let (mut won, mut lost) = (0, 0);
        while let Some(answer) = racing.join_next().await {
            match answer.unwrap().unwrap().status() {
                StatusCode::OK => won += 1,
                StatusCode::PRECONDITION_FAILED | StatusCode::CONFLICT => lost += 1,
                other => panic!("{path}: {other}"),
            }
        }
        assert_eq!((won, lost), (1, 7), "{path}");
    }
}

#[tokio::test]
async fn a_service_may_ask_for_the_tag_and_for_the_reason() {
    let service = Service::start_with(|config| {
        config.policy.if_match_required = true;
        config.policy.reason_required = true;
    })
    .await;
    let why = ("condyle-reason", "agreed on Tuesday");
    for (path, _, [first, second]) in kept() {
        let mute = put(&service, path, first.clone(), &[]).await;
        assert_eq!(mute.status(), StatusCode::BAD_REQUEST, "{path}");
        assert!(mute.json::<Problem>().await.unwrap().detail.contains("Condyle-Reason"));
        assert_eq!(put(&service, path, first, &[why]).await.status(), StatusCode::OK, "{path}");
        let blind = put(&service, path, second.clone(), &[why]).await;
        assert_eq!(blind.status(), StatusCode::PRECONDITION_REQUIRED, "{path}");
        assert_eq!(blind.json::<Problem>().await.unwrap().kind, "/problems/precondition-required");
        let seen = put(&service, path, second, &[why, ("if-match", "*")]).await;
        assert_eq!(seen.status(), StatusCode::OK, "{path}");
    }
    let long = "x".repeat(501);
    let long = put(&service, "/v1/profiles/house", profile("x"), &[("condyle-reason", &long)]).await;
    assert_eq!(long.status(), StatusCode::BAD_REQUEST);
}

#[tokio::test]
async fn the_history_names_who_did_it() {
    let service = Service::start_with(|config| config.access.tokens = true).await;
    let token = service.token("pipeline-td", &[Scope::Read, Scope::Administer], None).await;
    for (path, _, [first, _]) in kept() {
        let put = service.client.put(service.url(path)).bearer_auth(&token).body(first);
        assert_eq!(put.send().await.unwrap().status(), StatusCode::OK, "{path}");
        let url = service.url(&format!("{path}/history"));
        let past = service.client.get(url).bearer_auth(&token).send().await.unwrap();
        let past: VersionPage = past.json().await.unwrap();
        assert_eq!(past.items[0].who.as_deref(), Some("pipeline-td"), "{path}");
        assert_eq!(past.items[0].token.as_deref(), token.split('_').nth(1), "{path}");
    }
}

#[tokio::test]
async fn a_productions_waivers_count_until_their_day_and_travel_with_it() {
    let service = Service::start().await;
    let url = service.url("/v1/waivers/tidepool");
    let empty: serde_json::Value = service.json("/v1/waivers/tidepool").await;
    assert_eq!(empty, json!([]));
    let agreed = json!([{"check": "structure/unknown-parent", "subject": "chest", "reason": "limb by limb",
        "by": "rigging", "until": "2026-11-24"}]);
    let stored = service.client.put(&url).json(&agreed).send().await.unwrap();
    assert_eq!(stored.status(), StatusCode::OK);
    assert_eq!(service.json::<serde_json::Value>("/v1/waivers/tidepool").await, agreed);
    let submit = async |path: &str| {
        let put = service.client.put(service.url(path)).json(&broken_plan("heron"));
        put.send().await.unwrap().json::<Revision>().await.unwrap()
    };
    // `until` is inclusive.
    let base = "/v1/assets/tidepool/heron/revisions";
    let covered = submit(&format!("{base}/v1?as_of=2026-11-24")).await;
    assert_eq!((covered.verdict, covered.counts.waived), (Verdict::Pass, 1));
    let late = submit(&format!("{base}/v2?as_of=2026-11-25")).await;
    assert_eq!((late.verdict, late.counts.waived), (Verdict::Fail, 0));
    let elsewhere = submit("/v1/assets/low-water/heron/revisions/v1?as_of=2026-11-24").await;
    assert_eq!(elsewhere.verdict, Verdict::Fail);
    // As a job, too.
    let put = service.client.put(service.url(&format!("{base}/v3?as_of=2026-11-24")));
    let put =
        put.header("prefer", "respond-async, wait=60").json(&broken_plan("heron")).send().await.unwrap();
    assert_eq!(put.json::<Revision>().await.unwrap().verdict, Verdict::Pass);
    let archive = service.client.get(service.url("/v1/productions/tidepool/archive")).send().await.unwrap();
    let archive = archive.bytes().await.unwrap();
    let import = service.client.post(service.url("/v1/productions/moved/archive")).body(archive.clone());
    assert_eq!(import.send().await.unwrap().status(), StatusCode::OK);
    assert_eq!(service.json::<serde_json::Value>("/v1/waivers/moved").await, agreed);
    // What is there stays.
    service.client.put(service.url("/v1/waivers/kept")).json(&json!([])).send().await.unwrap();
    let import = service.client.post(service.url("/v1/productions/kept/archive")).body(archive);
    assert_eq!(import.send().await.unwrap().status(), StatusCode::OK);
    assert_eq!(service.json::<serde_json::Value>("/v1/waivers/kept").await, json!([]));
    for (body, pointer) in [
        (json!([{"check": "skin/sum"}]), Some("/0/reason")),
        (json!([{"check": "skin/sum", "reason": "x", "untl": "2026-11-24"}]), Some("/0/untl")),
        (json!({"items": []}), Some("")),
    ] {
        let refused = service.client.put(&url).json(&body).send().await.unwrap();
        assert_eq!(refused.status(), StatusCode::UNPROCESSABLE_ENTITY, "{body}");
        assert_eq!(refused.json::<Problem>().await.unwrap().pointer.as_deref(), pointer, "{body}");
    }
}
