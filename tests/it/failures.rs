//! What the service does when it cannot do what it should.

use std::sync::mpsc;
use std::time::Duration;

use condyle_api::Problem;
use condyle_tests::{Service, plan};
use reqwest::StatusCode;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};

const HERON: &str = "/v1/assets/tidepool/heron/revisions/v1";

#[tokio::test]
async fn a_store_that_cannot_be_written_acknowledges_nothing() {
    let service = Service::start().await;
    let blobs = service.folder.join("blobs");
    std::fs::remove_dir_all(&blobs).unwrap();
    std::fs::write(&blobs, b"in the way").unwrap();
    let put = || service.client.put(service.url(HERON)).json(&plan("heron")).send();
    let refused = put().await.unwrap();
    assert_eq!(refused.headers()["retry-after"], "2");
    let problem: Problem = refused.json().await.unwrap();
    assert_eq!((problem.kind.as_str(), problem.status), ("/problems/unavailable", 503));
    assert!(problem.incident.is_some() && !problem.detail.contains("blobs"), "{problem:?}");
    let ready = || service.client.get(service.url("/readyz")).send();
    assert_eq!(ready().await.unwrap().status(), StatusCode::SERVICE_UNAVAILABLE);
    assert_eq!(service.client.get(service.url("/healthz")).send().await.unwrap().status(), StatusCode::OK);
    assert_eq!(service.client.get(service.url(HERON)).send().await.unwrap().status(), StatusCode::NOT_FOUND);
    let check = service.client.post(service.url("/v1/checks")).json(&plan("heron")).send().await.unwrap();
    assert_eq!(check.status(), StatusCode::OK, "checking needs no store");
    std::fs::remove_file(&blobs).unwrap();
    std::fs::create_dir(&blobs).unwrap();
    assert_eq!(ready().await.unwrap().status(), StatusCode::OK);
    assert_eq!(put().await.unwrap().status(), StatusCode::CREATED);
}

#[tokio::test]
async fn a_database_that_is_gone_is_unavailable_and_not_a_crash() {
    let (service, app) = Service::open(|_| {}).await;
    app.store.close().await;
    for path in ["/v1/assets", "/v1/productions", HERON, "/", "/readyz"] {
        let problem: Problem =
            service.client.get(service.url(path)).send().await.unwrap().json().await.unwrap();
        assert_eq!(problem.kind, "/problems/unavailable", "{path}");
    }
}

#[tokio::test]
async fn a_lost_blob_is_our_fault_and_says_no_more_than_its_incident() {
    let service = Service::start().await;
    service.client.put(service.url(HERON)).json(&plan("heron")).send().await.unwrap();
    std::fs::remove_dir_all(service.folder.join("blobs")).unwrap();
    let answer = service.client.get(service.url(&format!("{HERON}/input"))).send().await.unwrap();
    let problem: Problem = answer.json().await.unwrap();
    assert_eq!((problem.kind.as_str(), problem.status), ("/problems/internal", 500));
    assert!(problem.incident.is_some() && !problem.detail.contains("blob"), "{problem:?}");
}

#[tokio::test]
async fn work_that_takes_too_long_is_given_up() {
    let (service, app) = Service::open(|config| {
        config.work.threads = 1;
        config.server.request_timeout_s = 1;
    })
    .await;
    let (release, held) = mpsc::channel::<()>();
    let pool = app.pool.clone();
    let running = tokio::spawn(async move { pool.run(move |_| held.recv()).await });
    while app.pool.in_use() < 1 {
        tokio::task::yield_now().await;
    }
    let answer = service.client.post(service.url("/v1/checks")).json(&plan("a")).send().await.unwrap();
    assert_eq!(answer.json::<Problem>().await.unwrap().kind, "/problems/timeout");
    assert_eq!(app.pool.in_use(), 1, "the place in the queue is free again");
    release.send(()).unwrap();
    running.await.unwrap().unwrap().unwrap();
}

#[tokio::test]
async fn a_body_that_trickles_is_the_callers_fault() {
    let service = Service::start_with(|config| config.server.upload_timeout_s = 1).await;
    let mut stream =
        tokio::net::TcpStream::connect(service.base.trim_start_matches("http://")).await.unwrap();
    stream.write_all(b"POST /v1/checks HTTP/1.1\r\nhost: x\r\ncontent-length: 100\r\n\r\n{").await.unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).await.unwrap();
    assert!(answer.starts_with("HTTP/1.1 408 ") && answer.contains("/problems/slow-upload"), "{answer}");
}

#[tokio::test]
async fn a_connection_that_sends_nothing_is_closed() {
    let service = Service::start_with(|config| config.server.header_timeout_s = 1).await;
    let mut stream =
        tokio::net::TcpStream::connect(service.base.trim_start_matches("http://")).await.unwrap();
    stream.write_all(b"GET /healthz HTTP/1.1\r\nhost").await.unwrap();
    let mut rest = Vec::new();
    let ended = tokio::time::timeout(Duration::from_secs(10), stream.read_to_end(&mut rest)).await;
    assert!(ended.is_ok(), "it stays open");
}
