//! A database that is locked by somebody else, and one that is damaged. A full and a read-only disk are in `tests/disk`.

use std::io::{Seek as _, SeekFrom, Write as _};
use std::path::Path;
use std::time::Duration;

use condyle_api::{Job, JobState, Problem};
use condyle_server::{ServeError, serve};
use condyle_tests::{Service, configuration, in_a_file, plan};
use reqwest::{RequestBuilder, StatusCode};
use sqlx::{Connection as _, SqliteConnection};

const HERON: &str = "/v1/assets/tidepool/heron/revisions/v1";
const EEL: &str = "/v1/assets/tidepool/eel/revisions/v1";

async fn told(request: RequestBuilder) -> (StatusCode, String) {
    let answer = request.send().await.unwrap();
    assert_eq!(answer.headers()["content-type"], "application/problem+json");
    (answer.status(), answer.json::<Problem>().await.unwrap().kind)
}

async fn status(request: RequestBuilder) -> StatusCode {
    request.send().await.unwrap().status()
}

async fn connect(folder: &Path) -> SqliteConnection {
    let url = format!("sqlite://{}", folder.join("condyle.sqlite").display());
    SqliteConnection::connect(&url).await.unwrap()
}

#[tokio::test]
async fn a_locked_database_is_told_and_works_again_when_it_is_free() {
    let service = Service::start_with(|config| {
        in_a_file(config);
        config.jobs.pause_s = 1;
    })
    .await;
    let put = |path: &str, asset: &str| service.client.put(service.url(path)).json(&plan(asset));
    let get = |path: &str| service.client.get(service.url(path));
    let mut other = connect(&service.folder).await;
    sqlx::query("BEGIN EXCLUSIVE").execute(&mut other).await.unwrap();
    let unavailable = (StatusCode::SERVICE_UNAVAILABLE, "/problems/unavailable".to_owned());
    let (now, later, ready) = tokio::join!(
        told(put(HERON, "heron")),
        told(put(EEL, "eel").header("prefer", "respond-async")),
        told(get("/readyz")),
    );
    assert_eq!((&now, &later, &ready), (&unavailable, &unavailable, &unavailable));
    assert_eq!(status(get("/v1/assets")).await, StatusCode::OK, "what is stored can be read");
    let check = service.client.post(service.url("/v1/checks")).json(&plan("heron"));
    assert_eq!(status(check).await, StatusCode::OK, "checking needs no store");
    sqlx::query("ROLLBACK").execute(&mut other).await.unwrap();
    for path in [HERON, EEL] {
        assert_eq!(status(get(path)).await, StatusCode::NOT_FOUND, "{path} was not acknowledged");
    }
    assert_eq!(status(get("/readyz")).await, StatusCode::OK);
    assert_eq!(status(put(HERON, "heron")).await, StatusCode::CREATED);
}

#[tokio::test]
async fn a_job_that_was_accepted_before_a_lock_is_done_after_it() {
    let (service, app) = Service::open(|config| {
        in_a_file(config);
        config.jobs.pause_s = 1;
    })
    .await;
    let put = service.client.put(service.url(HERON)).json(&plan("heron")).header("prefer", "respond-async");
    let at = put.send().await.unwrap().headers()["location"].to_str().unwrap().to_owned();
    let mut other = connect(&service.folder).await;
    sqlx::query("BEGIN EXCLUSIVE").execute(&mut other).await.unwrap();
    let workers = condyle_server::worker::start(&app);
    tokio::time::sleep(Duration::from_millis(300)).await;
    let job = async |wait: &str| {
        let get = service.client.get(service.url(&at)).header("prefer", wait);
        get.send().await.unwrap().json::<Job>().await.unwrap()
    };
    assert_eq!(job("wait=0").await.state, JobState::Queued);
    sqlx::query("ROLLBACK").execute(&mut other).await.unwrap();
    assert_eq!(job("wait=30").await.state, JobState::Done);
    workers.stop().await;
}

/// Every page but the first becomes noise; the length stays.
fn damage(folder: &Path) {
    let path = folder.join("condyle.sqlite");
    let length = std::fs::metadata(&path).unwrap().len();
    let mut file = std::fs::OpenOptions::new().write(true).open(path).unwrap();
    file.seek(SeekFrom::Start(4_096)).unwrap();
    file.write_all(&vec![0xa5; (length - 4_096) as usize]).unwrap();
    file.sync_all().unwrap();
}

/// Puts what is in the log into the file, and empties the log.
async fn settle(folder: &Path) {
    let mut other = connect(folder).await;
    sqlx::query("PRAGMA wal_checkpoint(TRUNCATE)").execute(&mut other).await.unwrap();
    other.close().await.unwrap();
}

#[tokio::test]
async fn a_database_that_is_damaged_while_it_is_used_is_told_and_acknowledges_nothing() {
    let service = Service::start_with(in_a_file).await;
    let put = |path: &str, asset: &str| service.client.put(service.url(path)).json(&plan(asset));
    let get = |path: &str| service.client.get(service.url(path));
    assert_eq!(status(put(HERON, "heron")).await, StatusCode::CREATED);
    settle(&service.folder).await;
    damage(&service.folder);
    let damaged = (StatusCode::SERVICE_UNAVAILABLE, "/problems/storage-damaged".to_owned());
    assert_eq!(told(get("/readyz")).await, damaged);
    assert_eq!(told(put(EEL, "eel")).await, damaged);
    assert_eq!(told(put(EEL, "eel").header("prefer", "respond-async")).await, damaged);
    assert_eq!(told(get(HERON)).await, damaged);
    assert_eq!(status(get("/healthz")).await, StatusCode::OK);
    let check = service.client.post(service.url("/v1/checks?profile=film")).json(&plan("heron"));
    let (code, kind) = told(check).await;
    assert_eq!((code, kind), damaged, "what profiles are stored is not known");
}

#[tokio::test]
async fn a_damaged_database_is_told_at_the_start() {
    let folder = tempfile::tempdir().unwrap();
    let service = Service::start_in(folder.path(), in_a_file).await;
    service.stopped().await.unwrap();
    std::fs::write(folder.path().join("condyle.sqlite"), vec![0xa5; 8_192]).unwrap();
    let mut config = configuration(folder.path());
    in_a_file(&mut config);
    let error = serve(config, |_| {}, std::future::pending()).await.unwrap_err();
    let ServeError::Store(_, text) = &error else { panic!("{error}") };
    // The words of SQLite's result code 26 (sqlite.org/rescode.html#notadb).
    assert!(text.contains("file is not a database"), "{text}");
}
