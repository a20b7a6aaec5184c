//! Callers that ask and do not read.

use std::time::Duration;

use condyle_tests::{Service, glb, triangle};
use reqwest::StatusCode;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};

/// More than both ends of a connection buffer together (4 MiB and 6 MiB are what Linux lets them grow to).
const LARGE: usize = 24 << 20;

#[tokio::test]
async fn a_caller_that_does_not_read_holds_no_connection_for_good() {
    let service = Service::start_with(|config| config.server.write_timeout_s = 1).await;
    let (mut document, mut bin) = triangle(None);
    bin.resize(LARGE, 0);
    document["buffers"][0]["byteLength"] = bin.len().into();
    let path = "/v1/assets/tidepool/tri/revisions/v1";
    let put = service.client.put(service.url(path)).body(glb(&document, &bin)).send().await.unwrap();
    assert_eq!(put.status(), StatusCode::CREATED);
    let ask = async || {
        let address = service.base.trim_start_matches("http://");
        let mut stream = tokio::net::TcpStream::connect(address).await.unwrap();
        let head = format!("GET {path}/input HTTP/1.1\r\nhost: x\r\nconnection: close\r\n\r\n");
        stream.write_all(head.as_bytes()).await.unwrap();
        stream
    };
    let mut slow = ask().await;
    tokio::time::sleep(Duration::from_secs(4)).await;
    let mut got = Vec::new();
    let ended = tokio::time::timeout(Duration::from_secs(20), slow.read_to_end(&mut got)).await;
    assert!(ended.is_ok(), "the connection ends");
    assert!(got.starts_with(b"HTTP/1.1 200 ") && got.len() < LARGE, "{}", got.len());
    let mut whole = Vec::new();
    ask().await.read_to_end(&mut whole).await.unwrap();
    assert!(whole.len() > LARGE, "who reads gets it whole");
}
