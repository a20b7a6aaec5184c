//! TLS: certificates by rcgen, the client's side by reqwest over rustls.

use std::path::Path;
use std::time::Duration;

use condyle_server::ServeError;
use condyle_tests::{Service, configuration};
use reqwest::{Certificate, Client, StatusCode};

/// Writes a certificate for 127.0.0.1 and its key, and gives the certificate.
fn certify(folder: &Path) -> String {
    let made = rcgen::generate_simple_self_signed(["127.0.0.1".to_owned()]).unwrap();
    std::fs::write(folder.join("key.pem"), made.signing_key.serialize_pem()).unwrap();
    std::fs::write(folder.join("certificate.pem"), made.cert.pem()).unwrap();
    made.cert.pem()
}

/// A client that trusts one certificate and nothing else.
fn trusting(certificate: &str) -> Client {
    let _ = rustls::crypto::ring::default_provider().install_default();
    let certificate = Certificate::from_pem(certificate.as_bytes()).unwrap();
    Client::builder().no_proxy().tls_certs_only([certificate]).build().unwrap()
}

async fn start(folder: &Path) -> (Service, String) {
    let service = Service::start_with(|config| {
        config.tls.certificate_file = folder.join("certificate.pem");
        config.tls.key_file = folder.join("key.pem");
        config.tls.reload_s = 1;
    })
    .await;
    let url = format!("{}/healthz", service.base.replace("http://", "https://"));
    (service, url)
}

#[tokio::test]
async fn a_renewed_certificate_is_shown_and_no_connection_is_dropped() {
    let folder = tempfile::tempdir().unwrap();
    let first = certify(folder.path());
    let (service, url) = start(folder.path()).await;
    let before = trusting(&first);
    assert_eq!(before.get(&url).send().await.unwrap().status(), StatusCode::OK);
    assert!(service.client.get(service.url("/healthz")).send().await.is_err(), "plain HTTP is no TLS");
    // A half-written pair changes nothing.
    let good = std::fs::read(folder.path().join("key.pem")).unwrap();
    std::fs::write(folder.path().join("key.pem"), &good[..good.len() / 2]).unwrap();
    tokio::time::sleep(Duration::from_millis(1_500)).await;
    assert_eq!(trusting(&first).get(&url).send().await.unwrap().status(), StatusCode::OK);
    let second = certify(folder.path());
    let after = trusting(&second);
    let mut shown = false;
    for _ in 0..50 {
        // Kept alive, so that it still holds the connection it began with.
        assert_eq!(before.get(&url).send().await.unwrap().status(), StatusCode::OK);
        shown = after.get(&url).send().await.is_ok();
        if shown {
            break;
        }
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    assert!(shown, "the new certificate is shown");
    assert!(trusting(&first).get(&url).send().await.is_err(), "the old one no longer is");
    let still = before.get(&url).send().await.unwrap();
    assert_eq!(still.status(), StatusCode::OK, "its connection goes on");
    service.stopped().await.unwrap();
}

/// Somebody who says nothing keeps nobody waiting.
#[tokio::test]
async fn a_silent_caller_holds_no_other_up() {
    let folder = tempfile::tempdir().unwrap();
    let certificate = certify(folder.path());
    let (service, url) = start(folder.path()).await;
    let address = service.base.trim_start_matches("http://").to_owned();
    let mut silent = Vec::new();
    for _ in 0..20 {
        silent.push(tokio::net::TcpStream::connect(&address).await.unwrap());
    }
    let asked = tokio::time::timeout(Duration::from_secs(10), trusting(&certificate).get(&url).send());
    assert_eq!(asked.await.unwrap().unwrap().status(), StatusCode::OK);
    // Nor the stop.
    tokio::time::timeout(Duration::from_secs(10), service.stopped()).await.unwrap().unwrap();
    drop(silent);
}

#[tokio::test]
async fn a_certificate_that_cannot_be_used_is_told_at_the_start() {
    let folder = tempfile::tempdir().unwrap();
    certify(folder.path());
    let other = tempfile::tempdir().unwrap();
    certify(other.path());
    std::fs::copy(other.path().join("key.pem"), folder.path().join("other.pem")).unwrap();
    std::fs::write(folder.path().join("empty.pem"), "").unwrap();
    for (certificate, key) in [
        ("certificate.pem", "other.pem"),
        ("empty.pem", "key.pem"),
        ("certificate.pem", "nowhere.pem"),
        ("key.pem", "certificate.pem"),
    ] {
        let mut config = configuration(folder.path());
        config.tls.certificate_file = folder.path().join(certificate);
        config.tls.key_file = folder.path().join(key);
        let refused = condyle_server::serve(config, |_| {}, async {}).await;
        assert!(matches!(refused, Err(ServeError::Tls(_))), "{certificate} {key}: {refused:?}");
    }
}
