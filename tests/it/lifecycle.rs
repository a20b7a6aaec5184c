//! Start, stop, start again.

use std::time::Duration;

use condyle_api::AssetPage;
use condyle_server::{ServeError, serve};
use condyle_tests::{Service, configuration, plan};
use reqwest::StatusCode;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};

#[tokio::test]
async fn what_was_acknowledged_is_there_after_a_restart() {
    let folder = tempfile::tempdir().unwrap();
    let service = Service::start_in(folder.path(), |_| {}).await;
    let put = service.client.put(service.url("/v1/assets/tidepool/heron/revisions/v1")).json(&plan("heron"));
    assert_eq!(put.send().await.unwrap().status(), StatusCode::CREATED);
    let url = "/v1/assets/tidepool/heron/revisions/v1/report";
    let report = service.client.get(service.url(url)).send().await.unwrap().bytes().await.unwrap();
    service.stopped().await.unwrap();
    let service = Service::start_in(folder.path(), |_| {}).await;
    assert_eq!(service.client.get(service.url(url)).send().await.unwrap().bytes().await.unwrap(), report);
    let page: AssetPage =
        service.client.get(service.url("/v1/assets")).send().await.unwrap().json().await.unwrap();
    assert_eq!(page.items.len(), 1);
}

#[tokio::test]
async fn a_stop_finishes_what_was_accepted_and_takes_nothing_new() {
    let mut service = Service::start().await;
    let address = service.base.trim_start_matches("http://").to_owned();
    let body = plan("heron").to_string();
    let mut stream = tokio::net::TcpStream::connect(&address).await.unwrap();
    let head = format!("POST /v1/checks HTTP/1.1\r\nhost: x\r\ncontent-length: {}\r\n\r\n", body.len());
    stream.write_all(head.as_bytes()).await.unwrap();
    stream.write_all(&body.as_bytes()[..10]).await.unwrap();
    tokio::time::sleep(Duration::from_millis(100)).await;
    service.ask_to_stop();
    while tokio::net::TcpStream::connect(&address).await.is_ok() {
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    stream.write_all(&body.as_bytes()[10..]).await.unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).await.unwrap();
    assert!(answer.starts_with("HTTP/1.1 200 ") && answer.contains("condyle.report/1"), "{answer}");
    service.stopped().await.unwrap();
}

#[tokio::test]
async fn a_stop_does_not_wait_for_ever() {
    let mut service = Service::start_with(|config| config.server.shutdown_timeout_s = 1).await;
    let mut stream =
        tokio::net::TcpStream::connect(service.base.trim_start_matches("http://")).await.unwrap();
    stream.write_all(b"POST /v1/checks HTTP/1.1\r\nhost: x\r\ncontent-length: 9\r\n\r\n").await.unwrap();
    tokio::time::sleep(Duration::from_millis(100)).await;
    service.ask_to_stop();
    let ended = tokio::time::timeout(Duration::from_secs(10), service.stopped()).await;
    assert!(ended.is_ok());
}

#[tokio::test]
async fn a_taken_port_is_told_with_the_next_free_one() {
    let taken = std::net::TcpListener::bind(("127.0.0.1", 0)).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let mut config = configuration(folder.path());
    config.server.listen = taken.local_addr().unwrap();
    let port = config.server.listen.port();
    let error = serve(config, |_| {}, std::future::pending()).await.unwrap_err();
    assert!(error.to_string().contains(&format!("port {port} is taken")), "{error}");
    let ServeError::PortTaken(_, free) = error else { panic!("{error}") };
    assert!(free.is_some_and(|free| free > port));
}

#[tokio::test]
async fn a_folder_that_cannot_be_used_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("file");
    std::fs::write(&file, b"").unwrap();
    let mut config = configuration(folder.path());
    config.server.data_dir = file;
    let error = serve(config, |_| {}, std::future::pending()).await.unwrap_err();
    assert!(matches!(error, ServeError::Store(..)), "{error}");
}
