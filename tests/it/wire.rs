//! What every answer carries, and that the list of problems is closed and tested.

use condyle_tests::{Service, broken_plan, plan};
use reqwest::StatusCode;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};

#[tokio::test]
async fn every_answer_has_an_id_and_its_time() {
    let service = Service::start().await;
    let ask = |id: &'static str| {
        service.client.post(service.url("/v1/checks")).header("x-request-id", id).json(&plan("a")).send()
    };
    let answer = ask("build-42").await.unwrap();
    assert_eq!(answer.headers()["x-request-id"], "build-42");
    assert_eq!(answer.headers()["x-content-type-options"], "nosniff");
    let timing = answer.headers()["server-timing"].to_str().unwrap();
    assert!(["read;dur=", "checks;dur=", "total;dur="].iter().all(|part| timing.contains(part)), "{timing}");
    let odd = ask("<script>").await.unwrap();
    assert_ne!(odd.headers()["x-request-id"], "<script>");
    let missing = service.client.get(service.url("/nowhere")).send().await.unwrap();
    assert_eq!(missing.status(), StatusCode::NOT_FOUND);
    assert!(
        missing.headers().contains_key("x-request-id") && missing.headers().contains_key("server-timing")
    );
}

#[tokio::test]
async fn a_method_that_is_not_there_is_told_with_those_that_are() {
    let service = Service::start().await;
    let answer = service.client.post(service.url("/v1/assets/a/b/revisions/c")).send().await.unwrap();
    assert_eq!(answer.status(), StatusCode::METHOD_NOT_ALLOWED);
    let allow = answer.headers()["allow"].to_str().unwrap();
    assert!(allow.contains("PUT") && allow.contains("GET"), "{allow}");
}

#[tokio::test]
async fn pages_run_no_script_and_load_nothing_from_elsewhere() {
    let service = Service::start().await;
    let put = |path: &str| service.client.put(service.url(path)).json(&broken_plan("heron")).send();
    put("/v1/assets/tidepool/heron/revisions/v1").await.unwrap();
    put("/v1/assets/low-water/heron/revisions/v1").await.unwrap();
    for path in [
        "/",
        "/?q=her&production=tidepool&verdict=fail",
        "/docs",
        "/assets/tidepool/heron/v1",
        "/checks/structure/unknown-parent",
    ] {
        let answer = service.client.get(service.url(path)).send().await.unwrap();
        assert_eq!(answer.status(), StatusCode::OK, "{path}");
        assert!(answer.headers()["content-type"].to_str().unwrap().starts_with("text/html"), "{path}");
        let policy = answer.headers()["content-security-policy"].to_str().unwrap().to_owned();
        assert!(policy.starts_with("default-src 'none'"), "{path}");
        let text = answer.text().await.unwrap();
        assert!(!text.contains("<script") && !text.contains("@import"), "{path}");
        // Pictures are the service's own.
        assert!(text.split("src=").skip(1).all(|rest| rest.starts_with("\"/v1/assets/")), "{path}");
        assert!(!text.contains("href=\"http"), "{path}");
    }
    let text = service
        .client
        .get(service.url("/assets/tidepool/heron/v1"))
        .send()
        .await
        .unwrap()
        .text()
        .await
        .unwrap();
    for told in
        ["■ error", "chest", "/joints/1", "why", "source", "href=\"/checks/structure/unknown-parent\""]
    {
        assert!(text.contains(told), "{told}");
    }
    let index = service.client.get(service.url("/")).send().await.unwrap().text().await.unwrap();
    assert!(index.contains("low-water") && index.contains("▲ warn") && index.contains("● pass"));
}

#[tokio::test]
async fn productions_are_counted_by_verdict() {
    let service = Service::start().await;
    for (asset, body) in [("heron", plan("heron")), ("eel", broken_plan("eel"))] {
        let url = service.url(&format!("/v1/assets/tidepool/{asset}/revisions/v1"));
        service.client.put(url).json(&body).send().await.unwrap();
    }
    let list: condyle_api::ProductionList =
        service.client.get(service.url("/v1/productions")).send().await.unwrap().json().await.unwrap();
    let one = &list.items[0];
    assert_eq!((one.production.as_str(), one.assets, one.fail), ("tidepool", 2, 1));
}

#[tokio::test]
async fn every_kind_of_problem_has_a_page_and_a_test() {
    let service = Service::start().await;
    let folders = [concat!(env!("CARGO_MANIFEST_DIR"), "/it"), concat!(env!("CARGO_MANIFEST_DIR"), "/disk")];
    let tests: String = folders
        .iter()
        .flat_map(|folder| std::fs::read_dir(folder).unwrap())
        .map(|file| std::fs::read_to_string(file.unwrap().path()).unwrap())
        .collect();
    for kind in condyle_server::problem::KINDS {
        let path = format!("/problems/{}", kind.name);
        let page = service.client.get(service.url(&path)).send().await.unwrap().text().await.unwrap();
        assert!(page.contains(kind.title), "{path}");
        assert!(tests.contains(&format!("\"{path}\"")), "{path} is produced by no test");
    }
}

/// What is sent is what `openapi.json` says (JSON Schema 2020-12, by `jsonschema`).
#[tokio::test]
async fn answers_are_as_described() {
    let description: serde_json::Value = serde_json::from_str(&condyle_server::openapi::document()).unwrap();
    let service = Service::start().await;
    for (label, body) in [("v1", plan("heron")), ("v2", broken_plan("heron"))] {
        let url = service.url(&format!("/v1/assets/tidepool/heron/revisions/{label}"));
        service.client.put(url).json(&body).send().await.unwrap();
    }
    for (path, schema) in [
        ("/v1/assets?limit=1", "AssetPage"),
        ("/v1/assets/tidepool/heron", "Asset"),
        ("/v1/assets/tidepool/heron/revisions?limit=1", "RevisionPage"),
        ("/v1/assets/tidepool/heron/revisions/v2", "Revision"),
        ("/v1/assets/tidepool/heron/revisions/v2/report", "Report"),
        ("/v1/productions", "ProductionList"),
        ("/v1/catalogue", "Catalogue"),
        ("/v1/catalogue/skin/sum", "CatalogueEntry"),
        ("/v1/profiles", "ProfileList"),
        ("/v1/profiles/film", "ProfileEntry"),
        ("/v1/profiles/flim", "Problem"),
        ("/v1/tokens", "TokenPage"),
        ("/v1/audit", "AuditPage"),
        ("/v1/assets?limit=0", "Problem"),
    ] {
        let root = serde_json::json!({
            "$ref": format!("#/components/schemas/{schema}"),
            "components": description["components"],
        });
        let validator = jsonschema::draft202012::new(&root).unwrap();
        let answer: serde_json::Value =
            service.client.get(service.url(path)).send().await.unwrap().json().await.unwrap();
        let faults: Vec<String> =
            validator.iter_errors(&answer).map(|e| format!("{}: {e}", e.instance_path())).collect();
        assert!(faults.is_empty(), "{path}: {faults:?}");
    }
}

/// The answer to a request whose whole body is sent before a byte of the answer is read.
async fn told_after(service: &Service, head: &str, body: usize) -> String {
    let mut stream =
        tokio::net::TcpStream::connect(service.base.trim_start_matches("http://")).await.unwrap();
    let head = format!("{head} HTTP/1.1\r\nhost: x\r\ncontent-length: {body}\r\nconnection: close\r\n\r\n");
    stream.write_all(head.as_bytes()).await.unwrap();
    // Who sends is heard out, and reads why it was refused.
    stream.write_all(&vec![b' '; body]).await.unwrap();
    let mut told = Vec::new();
    stream.read_to_end(&mut told).await.unwrap();
    String::from_utf8(told).unwrap()
}

/// A server that closes on unread bytes resets the connection, and the caller loses the answer (RFC 9112 §9.6).
#[tokio::test]
async fn who_is_refused_while_sending_gets_to_read_why() {
    let service = Service::start_with(|config| {
        config.access.tokens = true;
        config.access.bad_tokens_per_minute = 100_000;
    })
    .await;
    for (head, status) in
        [("POST /v1/checks", 401), ("POST /v1/productions/tidepool/archive", 401), ("PUT /nowhere", 404)]
    {
        // Small ones lie in the buffers of the connection, and are lost by the same reset.
        for body in [10_000, 200_000, 4 << 20] {
            let told = told_after(&service, head, body).await;
            assert!(told.starts_with(&format!("HTTP/1.1 {status} ")), "{head} {body}: {told}");
        }
    }
    // Who waits to be told to go on is not told so (RFC 9110 §10.1.1).
    let mut stream =
        tokio::net::TcpStream::connect(service.base.trim_start_matches("http://")).await.unwrap();
    let head = "POST /v1/checks HTTP/1.1\r\nhost: x\r\ncontent-length: 9\r\nexpect: 100-continue\r\n\r\n";
    stream.write_all(head.as_bytes()).await.unwrap();
    let mut start = [0; 13];
    stream.read_exact(&mut start).await.unwrap();
    assert_eq!(&start, b"HTTP/1.1 401 ");
}
