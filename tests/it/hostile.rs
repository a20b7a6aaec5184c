//! Bodies that nobody would send on purpose. Whatever comes is answered by a report or by the caller's fault.

use std::io::Write as _;

use condyle_api::Problem;
use condyle_tests::{Service, broken_plan, glb, triangle};
use reqwest::StatusCode;

/// A small generator of our own, so that a failure can be repeated.
struct Dice(u64);

impl Dice {
    fn roll(&mut self, below: usize) -> usize {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) as usize % below
    }
}

#[tokio::test]
async fn mutilated_files_never_cause_a_server_error() {
    let service = Service::start().await;
    let (document, bin) = triangle(None);
    let sound =
        [glb(&document, &bin), broken_plan("a").to_string().into_bytes(), document.to_string().into_bytes()];
    let mut dice = Dice(20_261_125);
    let mut answers = [0_u32; 2];
    for round in 0..600 {
        let mut bytes = sound[round % sound.len()].clone();
        for _ in 0..=dice.roll(4) {
            let at = dice.roll(bytes.len());
            match dice.roll(4) {
                0 => bytes[at] ^= 1 << dice.roll(8),
                1 => bytes[at] = dice.roll(256) as u8,
                2 => bytes.truncate(at.max(1)),
                _ => {
                    let piece = bytes[at..bytes.len().min(at + 20)].to_vec();
                    let to = dice.roll(bytes.len());
                    bytes.splice(to..to, piece);
                }
            }
        }
        let response =
            service.client.post(service.url("/v1/checks")).body(bytes.clone()).send().await.unwrap();
        let status = response.status();
        assert!(!status.is_server_error(), "round {round}: {status} for {}", String::from_utf8_lossy(&bytes));
        answers[usize::from(status.is_success())] += 1;
        if !status.is_success() {
            assert_eq!(response.headers()["content-type"], "application/problem+json");
            let problem: Problem = response.json().await.unwrap();
            assert!(!problem.detail.is_empty());
        }
    }
    assert!(answers.iter().all(|count| *count > 5), "both kinds of answers occur: {answers:?}");
}

#[tokio::test]
async fn odd_multipart_bodies_are_the_callers_fault() {
    let service = Service::start().await;
    let head = "--b\r\nContent-Disposition: form-data; name=\"plan\"\r\n\r\n";
    for (kind, body) in [
        ("multipart/form-data", String::new()),
        ("multipart/form-data; boundary=", String::new()),
        ("multipart/form-data; boundary=b", String::new()),
        ("multipart/form-data; boundary=b", "--b--\r\n".into()),
        ("multipart/form-data; boundary=b", head.into()),
        ("multipart/form-data; boundary=b", format!("{head}{{}}\r\n{head}{{}}\r\n--b--")),
        ("multipart/form-data; boundary=b", format!("--b\r\n{}", "x: y\r\n".repeat(10_000))),
        ("multipart/form-data; boundary=b", "-".repeat(3_000_000)),
    ] {
        let request = service.client.post(service.url("/v1/checks")).header("content-type", kind);
        let problem: Problem = request.body(body).send().await.unwrap().json().await.unwrap();
        assert_eq!(
            (problem.kind.as_str(), problem.status),
            ("/problems/invalid-multipart", 400),
            "{problem:?}"
        );
    }
}

#[tokio::test]
async fn parts_of_text_are_short() {
    let service = Service::start().await;
    let form = reqwest::multipart::Form::new()
        .text("plan", broken_plan("a").to_string())
        .text("waivers", " ".repeat((1 << 20) + 1));
    let response = service.client.post(service.url("/v1/checks")).multipart(form).send().await.unwrap();
    let problem: Problem = response.json().await.unwrap();
    assert_eq!((problem.kind.as_str(), problem.limit.as_deref()), ("/problems/too-large", Some("waivers")));
}

#[tokio::test]
async fn an_announced_length_beyond_the_limit_is_refused_before_it_comes() {
    let service = Service::start_with(|config| config.limits.total_bytes = 1_000).await;
    let response =
        service.client.post(service.url("/v1/checks")).body(vec![b' '; 5_000_000]).send().await.unwrap();
    let problem: Problem = response.json().await.unwrap();
    assert_eq!((problem.kind.as_str(), problem.got), ("/problems/too-large", Some(5_000_000)));
}

#[tokio::test]
async fn compressed_bodies_are_read_and_broken_ones_told() {
    let service = Service::start().await;
    let mut packed = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    packed.write_all(broken_plan("a").to_string().as_bytes()).unwrap();
    let packed = packed.finish().unwrap();
    let post = |encoding: &'static str, body: Vec<u8>| {
        service.client.post(service.url("/v1/checks")).header("content-encoding", encoding).body(body).send()
    };
    assert_eq!(post("gzip", packed.clone()).await.unwrap().status(), StatusCode::OK);
    for (encoding, body) in [("gzip", packed[..packed.len() / 2].to_vec()), ("gzip", b"hello".to_vec())] {
        let problem: Problem = post(encoding, body).await.unwrap().json().await.unwrap();
        assert_eq!(problem.kind, "/problems/invalid-request");
    }
    let problem: Problem = post("zstd", packed).await.unwrap().json().await.unwrap();
    assert_eq!(problem.kind, "/problems/unsupported-media-type");
}

#[tokio::test]
async fn names_and_cursors_from_the_url_are_checked() {
    let service = Service::start().await;
    let long = "a".repeat(101);
    for path in [
        "/v1/assets/.hidden/x".to_owned(),
        "/v1/assets/a%00b/x".into(),
        "/v1/assets/a%2Fb/x/revisions".into(),
        "/v1/assets/a/%C3%A4/revisions/v1/report".into(),
        format!("/v1/assets/a/{long}/revisions/v1"),
        "/v1/assets/a/%FF/revisions".into(),
        "/v1/assets?limit=0".into(),
        "/v1/assets?limit=501".into(),
        "/v1/assets?cursor=zz".into(),
        "/v1/assets?cursor=6".into(),
        "/v1/assets?colour=red".into(),
        "/v1/assets?verdict=good".into(),
        "/v1/assets/a/b/revisions?cursor=6161".into(),
        "/assets/a/b/..%2f".into(),
    ] {
        let response = service.client.get(service.url(&path)).send().await.unwrap();
        assert_eq!(response.status(), StatusCode::BAD_REQUEST, "{path}");
        assert_eq!(response.json::<Problem>().await.unwrap().kind, "/problems/invalid-request", "{path}");
    }
    let search = service.client.get(service.url("/v1/assets?q=%25_%5C'%22;--")).send().await.unwrap();
    assert_eq!(search.status(), StatusCode::OK);
    let digest = service.client.head(service.url("/v1/inputs/ABC")).send().await.unwrap();
    assert_eq!(digest.status(), StatusCode::BAD_REQUEST);
}
