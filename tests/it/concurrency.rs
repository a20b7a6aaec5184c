//! Several callers at once.

use std::sync::mpsc;

use condyle_api::{Problem, RevisionPage};
use condyle_tests::{Service, plan};
use reqwest::StatusCode;

async fn race(service: &Service, different: bool) -> (usize, usize, usize) {
    let mut callers = tokio::task::JoinSet::new();
    for number in 0..12 {
        let mut body = plan("heron");
        if different {
            body["extras"] = serde_json::json!({"caller": number});
        }
        let url = service.url("/v1/assets/tidepool/heron/revisions/v1");
        callers.spawn(service.client.put(url).json(&body).send());
    }
    let (mut new, mut same, mut conflict) = (0, 0, 0);
    while let Some(answer) = callers.join_next().await {
        match answer.unwrap().unwrap().status() {
            StatusCode::CREATED => new += 1,
            StatusCode::OK => same += 1,
            StatusCode::CONFLICT => conflict += 1,
            other => panic!("{other}"),
        }
    }
    (new, same, conflict)
}

#[tokio::test]
async fn one_of_many_submissions_of_the_same_label_wins() {
    let service = Service::start().await;
    assert_eq!(race(&service, false).await, (1, 11, 0));
    let service = Service::start().await;
    assert_eq!(race(&service, true).await, (1, 0, 11));
}

#[tokio::test]
async fn numbers_have_no_gaps_and_no_twins_when_labels_race() {
    let service = Service::start().await;
    let mut callers = tokio::task::JoinSet::new();
    for number in 0..12 {
        let url = service.url(&format!("/v1/assets/tidepool/heron/revisions/v{number}"));
        callers.spawn(service.client.put(url).json(&plan("heron")).send());
    }
    while let Some(answer) = callers.join_next().await {
        assert_eq!(answer.unwrap().unwrap().status(), StatusCode::CREATED);
    }
    let mut numbers = Vec::new();
    let mut path = "/v1/assets/tidepool/heron/revisions?limit=5".to_owned();
    loop {
        let response = service.client.get(service.url(&path)).send().await.unwrap();
        let link = response.headers().get("link").map(|l| l.to_str().unwrap().to_owned());
        numbers.extend(response.json::<RevisionPage>().await.unwrap().items.into_iter().map(|r| r.number));
        let Some(link) = link else { break };
        path = link.split(['<', '>']).nth(1).unwrap().to_owned();
    }
    assert_eq!(numbers, (1..=12).rev().collect::<Vec<_>>());
}

#[tokio::test]
async fn a_full_queue_answers_at_once_and_frees_when_work_ends() {
    let (service, app) = Service::open(|config| {
        config.work.threads = 1;
        config.work.queue = 1;
    })
    .await;
    let (release, held) = mpsc::channel::<()>();
    let pool = app.pool.clone();
    let running = tokio::spawn(async move { pool.run(move |_| held.recv()).await });
    let pool = app.pool.clone();
    let waiting = tokio::spawn(async move { pool.run(|_| ()).await });
    while app.pool.in_use() < 2 {
        tokio::task::yield_now().await;
    }
    let post = || service.client.post(service.url("/v1/checks")).json(&plan("a")).send();
    let busy = post().await.unwrap();
    assert_eq!(busy.headers()["retry-after"], "2");
    assert_eq!(busy.json::<Problem>().await.unwrap().kind, "/problems/busy");
    release.send(()).unwrap();
    running.await.unwrap().unwrap().unwrap();
    waiting.await.unwrap().unwrap();
    assert_eq!(post().await.unwrap().status(), StatusCode::OK);
    assert_eq!((app.pool.in_use(), app.uploads.used()), (0, 0));
}

#[tokio::test]
async fn a_caller_who_goes_away_cancels_the_work_and_frees_its_place() {
    let (service, app) = Service::open(|config| {
        config.work.threads = 1;
        config.work.queue = 4;
    })
    .await;
    let (release, held) = mpsc::channel::<()>();
    let pool = app.pool.clone();
    let running = tokio::spawn(async move { pool.run(move |_| held.recv()).await });
    let request = service.client.post(service.url("/v1/checks")).json(&plan("a")).send();
    let caller = tokio::spawn(request);
    while app.pool.in_use() < 2 {
        tokio::time::sleep(std::time::Duration::from_millis(5)).await;
    }
    caller.abort();
    while app.pool.in_use() > 1 || app.uploads.used() > 0 {
        tokio::time::sleep(std::time::Duration::from_millis(5)).await;
    }
    release.send(()).unwrap();
    running.await.unwrap().unwrap().unwrap();
}

#[tokio::test]
async fn memory_for_uploads_is_bounded_over_all_requests() {
    let (service, app) = Service::open(|config| config.work.upload_bytes = 64).await;
    let busy = service.client.post(service.url("/v1/checks")).json(&plan("a")).send().await.unwrap();
    assert_eq!(busy.json::<Problem>().await.unwrap().kind, "/problems/busy");
    assert_eq!(app.uploads.used(), 0);
}
