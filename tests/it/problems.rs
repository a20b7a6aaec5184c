//! Every kind of problem, made by a request, and told in the one form.

use std::io::Write as _;

use condyle_api::Problem;
use condyle_tests::{Service, plan};
use reqwest::{RequestBuilder, Response, StatusCode};

async fn told(response: Response) -> Problem {
    let status = response.status();
    assert_eq!(response.headers()["content-type"], "application/problem+json");
    let problem: Problem = response.json().await.unwrap();
    assert_eq!(problem.status, status.as_u16());
    problem
}

async fn problem(request: RequestBuilder) -> Problem {
    told(request.send().await.unwrap()).await
}

#[tokio::test]
async fn broken_documents_name_their_fault_and_its_place() {
    let service = Service::start().await;
    let post = |body: &'static str| service.client.post(service.url("/v1/checks")).body(body);
    let broken = problem(post("{\"asset\": {\"version\": \"2.0\"}, ]")).await;
    assert_eq!((broken.kind.as_str(), broken.status), ("/problems/malformed-document", 400));
    assert_eq!(broken.byte_offset, Some(30));
    let nowhere = problem(post(r#"{"asset":{"version":"2.0"},"nodes":[{"children":[7]}]}"#)).await;
    assert_eq!((nowhere.kind.as_str(), nowhere.status), ("/problems/invalid-document", 422));
    assert_eq!(nowhere.pointer.as_deref(), Some("/nodes/0/children/0"));
    assert_eq!(nowhere.rule.as_deref(), Some("glTF 2.0 §3.3"));
    let neither = problem(post("hello")).await;
    assert_eq!((neither.kind.as_str(), neither.status), ("/problems/unknown-format", 415));
    let spelled = post(r#"{"schema":"condyle.plan/1","asset":"x","joints":[{"nam":"a","origin":[0,0,0]}]}"#);
    let spelled = problem(spelled).await;
    assert_eq!(spelled.pointer.as_deref(), Some("/joints/0/nam"));
    assert!(spelled.detail.contains("did you mean name?"), "{}", spelled.detail);
}

#[tokio::test]
async fn wrong_requests_are_told_what_is_right() {
    let service = Service::start().await;
    let post = |path: &str| service.client.post(service.url(path)).json(&plan("heron"));
    let check = problem(post("/v1/checks?only=skin/sun")).await;
    assert_eq!(
        (check.kind.as_str(), check.suggestion.as_deref()),
        ("/problems/unknown-check", Some("skin/sum"))
    );
    let profile = problem(post("/v1/checks?profile=flim")).await;
    assert_eq!(
        (profile.kind.as_str(), profile.suggestion.as_deref()),
        ("/problems/unknown-profile", Some("film"))
    );
    let query = problem(post("/v1/checks?fail_on=sometimes")).await;
    assert_eq!(query.kind, "/problems/invalid-request");
    let accept = problem(post("/v1/checks").header("accept", "image/png")).await;
    assert_eq!((accept.kind.as_str(), accept.status), ("/problems/not-acceptable", 406));
    let media = service.client.post(service.url("/v1/checks")).header("content-type", "text/csv").body("a,b");
    assert_eq!(problem(media).await.kind, "/problems/unsupported-media-type");
    let method = told(service.client.delete(service.url("/v1/checks")).send().await.unwrap()).await;
    assert_eq!((method.kind.as_str(), method.status), ("/problems/method-not-allowed", 405));
    assert_eq!(problem(service.client.get(service.url("/v2"))).await.kind, "/problems/not-found");
    let name = service.client.get(service.url("/v1/assets/..%2F..%2Fetc/x/revisions/v1"));
    assert_eq!(problem(name).await.kind, "/problems/invalid-request");
    let form = reqwest::multipart::Form::new().text("modle", "x");
    let part = problem(service.client.post(service.url("/v1/checks")).multipart(form)).await;
    assert!(
        part.kind == "/problems/invalid-multipart" && part.detail.contains("did you mean model?"),
        "{part:?}"
    );
    let form =
        reqwest::multipart::Form::new().text("plan", plan("a").to_string()).text("profile", "name = 3");
    let bad = problem(service.client.post(service.url("/v1/checks")).multipart(form)).await;
    assert_eq!(bad.kind, "/problems/invalid-profile");
    let form = reqwest::multipart::Form::new().text("plan", plan("a").to_string()).text("waivers", "[{}]");
    let bad = problem(service.client.post(service.url("/v1/checks")).multipart(form)).await;
    assert_eq!((bad.kind.as_str(), bad.pointer.as_deref()), ("/problems/invalid-waiver", Some("/0/check")));
}

#[tokio::test]
async fn a_small_body_that_grows_large_is_stopped_while_it_grows() {
    let service = Service::start_with(|config| config.limits.total_bytes = 1 << 20).await;
    let mut packed = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::best());
    for _ in 0..64 {
        packed.write_all(&vec![b' '; 1 << 20]).unwrap();
    }
    let packed = packed.finish().unwrap();
    assert!(packed.len() < 1 << 17);
    let post = service.client.post(service.url("/v1/checks")).header("content-encoding", "gzip").body(packed);
    let grown = problem(post).await;
    assert_eq!((grown.kind.as_str(), grown.status, grown.max), ("/problems/too-large", 413, Some(1 << 20)));
}

#[tokio::test]
async fn limits_are_named_with_what_was_asked() {
    let service = Service::start_with(|config| config.limits.joints = 3).await;
    let over = problem(service.client.post(service.url("/v1/checks")).json(&plan("heron"))).await;
    assert_eq!((over.kind.as_str(), over.limit.as_deref()), ("/problems/limit-exceeded", Some("joints")));
    assert_eq!((over.max, over.got), (Some(3), Some(4)));
}

#[tokio::test]
async fn beyond_the_queue_the_answer_is_busy_with_a_time_to_come_back() {
    let service = Service::start_with(|config| {
        config.work.threads = 1;
        config.work.queue = 0;
    })
    .await;
    let joints: Vec<_> = (0..3_000)
        .map(|n| serde_json::json!({"name": format!("j{n}"), "origin": [0, n, 0], "parent": serde_json::Value::Null}))
        .collect();
    let big = serde_json::json!({"schema": "condyle.plan/1", "asset": "big", "joints": joints}).to_string();
    let mut waiting = tokio::task::JoinSet::new();
    for _ in 0..24 {
        waiting.spawn(service.client.post(service.url("/v1/checks")).body(big.clone()).send());
    }
    let (mut done, mut busy) = (0, 0);
    while let Some(response) = waiting.join_next().await {
        let response = response.unwrap().unwrap();
        if response.status() == StatusCode::OK {
            done += 1;
        } else {
            assert!(response.headers().contains_key("retry-after"));
            assert_eq!(told(response).await.kind, "/problems/busy");
            busy += 1;
        }
    }
    assert!(done >= 1 && busy >= 1, "{done} done, {busy} busy");
}

#[tokio::test]
async fn junk_in_a_container_is_the_callers_fault() {
    let service = Service::start().await;
    let junk: Vec<u8> = (0..4_096_u32).map(|n| (n.wrapping_mul(2_654_435_761) >> 13) as u8).collect();
    for cut in [0, 1, 11, 12, 20, 100, 4_096] {
        let mut bytes = b"glTF\x02\0\0\0".to_vec();
        bytes.extend(&junk[..cut]);
        let response = service.client.post(service.url("/v1/checks")).body(bytes).send().await.unwrap();
        assert!(response.status().is_client_error(), "{cut}: {}", response.status());
    }
}
