//! `/v1/jobs`, and what is answered later.

use std::path::Path;
use std::sync::mpsc;
use std::time::Duration;

use condyle_api::{Job, JobState, Problem, Revision, RevisionPage};
use condyle_server::queue::lease::{Claim, Finished, Made};
use condyle_server::state::App;
use condyle_server::worker;
use condyle_tests::{Service, broken_plan, configuration, plan};
use reqwest::{Response, StatusCode};
use serde_json::{Value, json};

const HERON: &str = "/v1/assets/tidepool/heron/revisions/v1";

async fn put(service: &Service, path: &str, body: &Value, prefer: &str) -> Response {
    service.client.put(service.url(path)).header("prefer", prefer).json(body).send().await.unwrap()
}

async fn job(service: &Service, place: &str) -> Job {
    service.client.get(service.url(place)).send().await.unwrap().json().await.unwrap()
}

fn place(response: &Response) -> String {
    assert_eq!(response.status(), StatusCode::ACCEPTED);
    response.headers()["location"].to_str().unwrap().to_owned()
}

/// Waits for the end of a job, half a minute at most.
async fn over(service: &Service, place: &str) -> Job {
    let get = service.client.get(service.url(place)).header("prefer", "wait=30");
    let found: Job = get.send().await.unwrap().json().await.unwrap();
    assert!(found.state.is_over(), "{found:?}");
    found
}

async fn state(service: &Service, place: &str, wanted: JobState) -> Job {
    for _ in 0..1_000 {
        let found = job(service, place).await;
        if found.state == wanted {
            return found;
        }
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    panic!("it never is {wanted:?}: {:?}", job(service, place).await);
}

#[tokio::test]
async fn a_submission_is_accepted_at_once_and_stored_later() {
    let service = Service::start().await;
    let accepted = put(&service, HERON, &plan("heron"), "respond-async").await;
    assert_eq!(accepted.headers()["preference-applied"], "respond-async");
    let at = place(&accepted);
    let first: Job = accepted.json().await.unwrap();
    assert_eq!(at, format!("/v1/jobs/{}", first.id));
    let done = over(&service, &at).await;
    assert_eq!((done.state, done.attempts), (JobState::Done, 1));
    assert_eq!(done.result.as_deref(), Some(HERON));
    assert_eq!(done.progress.done, done.progress.total);
    let revision: Revision =
        service.client.get(service.url(HERON)).send().await.unwrap().json().await.unwrap();
    assert_eq!(revision.number, 1);
    let get = service.client.get(service.url(&at)).send().await.unwrap();
    let tag = get.headers()["etag"].clone();
    let again = service.client.get(service.url(&at)).header("if-none-match", tag).send().await.unwrap();
    assert_eq!(again.status(), StatusCode::NOT_MODIFIED);
    let kept = put(&service, HERON, &plan("heron"), "respond-async").await;
    assert_eq!(kept.status(), StatusCode::OK, "the same bytes are there: nothing is to be queued");
}

#[tokio::test]
async fn a_check_as_a_job_makes_the_report_that_it_makes_at_once() {
    let service = Service::start().await;
    let url = service.url("/v1/checks?as_of=2026-11-25");
    let now = service.client.post(&url).json(&broken_plan("heron")).send().await.unwrap();
    let now = now.text().await.unwrap();
    let post = service.client.post(&url).json(&broken_plan("heron")).header("prefer", "respond-async");
    let at = place(&post.send().await.unwrap());
    let done = over(&service, &at).await;
    assert_eq!(done.result, Some(format!("{at}/report")));
    let report = service.client.get(service.url(&format!("{at}/report"))).send().await.unwrap();
    assert!(report.headers()["etag"].to_str().unwrap().starts_with('"'));
    assert_eq!(report.text().await.unwrap(), now);
    let text = service.client.get(service.url(&format!("{at}/report"))).header("accept", "text/plain");
    assert!(text.send().await.unwrap().text().await.unwrap().contains("chest hangs from hisp"));
    let sweep = service.client.post(service.url("/v1/sweeps")).json(&plan("heron"));
    let sweep = sweep.header("prefer", "respond-async, wait=30").send().await.unwrap();
    assert_eq!(
        (sweep.status(), &sweep.headers()["preference-applied"]),
        (StatusCode::OK, &"wait=30".parse().unwrap())
    );
}

/// Every form, byte for byte but for the address of the figure, which only what is kept has.
#[tokio::test]
async fn a_job_shows_what_the_answer_at_once_shows() {
    let (service, app) =
        Service::open(|config| config.server.public_url = "https://rigs.example/".into()).await;
    let workers = worker::start(&app);
    let url = service.url("/v1/checks?as_of=2026-11-25");
    let post = |accept: &str, prefer: &str| {
        let request = service.client.post(&url).header("accept", accept).header("prefer", prefer);
        request.json(&broken_plan("heron")).send()
    };
    let at = place(&post("application/json", "respond-async").await.unwrap());
    assert_eq!(over(&service, &at).await.state, JobState::Done);
    let get =
        |path: &str, accept: &str| service.client.get(service.url(path)).header("accept", accept).send();
    let report = format!("{at}/report");
    let picture = format!(
        "![the skeleton over the outline of the body, findings marked](<https://rigs.example{at}/figure>)\n\n"
    );
    let mut tags = Vec::new();
    for accept in [
        "text/plain",
        "application/sarif+json",
        "application/xml",
        "text/markdown",
        "text/html",
        "text/vnd.condyle.annotations",
        "application/vnd.condyle.code-quality+json",
    ] {
        let now = post(accept, "x").await.unwrap().text().await.unwrap();
        let later = get(&report, accept).await.unwrap();
        tags.push((accept, later.headers()["etag"].clone()));
        let later = later.text().await.unwrap();
        if accept == "text/markdown" {
            assert_eq!(later.replace(&picture, ""), now);
            assert!(later.contains(&picture), "{later}");
        } else {
            assert_eq!(later, now, "{accept}");
        }
        let waited = post(accept, "wait=30").await.unwrap();
        assert_eq!(waited.headers()["preference-applied"], "wait=30");
        let waited = waited.text().await.unwrap();
        if accept != "text/markdown" {
            assert_eq!(waited, now, "{accept}");
        }
        assert_eq!(accept == "text/html", now.contains("<figure><svg "));
    }
    let figure = get(&format!("{at}/figure"), "image/svg+xml").await.unwrap();
    assert_eq!(figure.headers()["content-type"], "image/svg+xml");
    let tag = figure.headers()["etag"].clone();
    let drawn = figure.text().await.unwrap();
    assert!(drawn.contains("data-check=\"structure/unknown-parent\""));
    let again = service.client.get(service.url(&format!("{at}/figure"))).header("if-none-match", tag);
    assert_eq!(again.send().await.unwrap().status(), StatusCode::NOT_MODIFIED);
    // The input is let go: what is left is the report.
    app.queue.let_go(0).await.unwrap();
    for (accept, tag) in tags {
        let alone = get(&report, accept).await.unwrap();
        assert_eq!(alone.status(), StatusCode::OK, "{accept}");
        let other = accept != "text/plain" && accept != "application/xml";
        assert_eq!(alone.headers()["etag"] != tag, other, "{accept}");
        let alone = alone.text().await.unwrap();
        assert!(!alone.contains("<svg") && !alone.contains("\"fixes\"") && !alone.contains("!["), "{alone}");
        assert!(alone.contains("unknown-parent"));
    }
    let gone = get(&format!("{at}/figure"), "*/*").await.unwrap();
    assert_eq!(gone.status(), StatusCode::NOT_FOUND);
    assert!(gone.json::<Problem>().await.unwrap().detail.contains("input of this job"));
    workers.stop().await;
}

#[tokio::test]
async fn who_waits_is_answered_in_time_or_told_where_to_look() {
    let service = Service::start().await;
    let done = put(&service, HERON, &plan("heron"), "respond-async, wait=30").await;
    assert_eq!((done.status(), &done.headers()["location"]), (StatusCode::CREATED, &HERON.parse().unwrap()));
    assert_eq!(done.headers()["preference-applied"], "wait=30");
    assert_eq!(done.json::<Revision>().await.unwrap().number, 1);
    // Nobody works here.
    let (idle, _app) = Service::open(|_| {}).await;
    let late = put(&idle, HERON, &plan("heron"), "wait=1").await;
    assert_eq!(late.headers()["preference-applied"], "wait=1");
    assert_eq!(job(&idle, &place(&late)).await.state, JobState::Queued);
}

#[tokio::test]
async fn a_check_whose_caller_goes_away_is_cancelled_unless_a_key_finds_it_again() {
    let (service, app) = Service::open(|_| {}).await;
    for (key, left) in [(None, 0), (Some("k"), 1)] {
        let mut request = service.client.post(service.url("/v1/checks")).header("prefer", "wait=60");
        if let Some(key) = key {
            request = request.header("idempotency-key", key);
        }
        let caller = tokio::spawn(request.json(&plan("a")).send());
        let waiting = async |wanted: usize| {
            for _ in 0..1_000 {
                let claimed = app.queue.claim("look", condyle_server::clock::now_ms(), 60_000, 9, 99).await;
                let found = match claimed.unwrap() {
                    Claim::Leased(lease) => {
                        app.queue.release(&lease, condyle_server::clock::now_ms()).await.unwrap();
                        1
                    }
                    _ => 0,
                };
                if found == wanted {
                    return;
                }
                tokio::time::sleep(Duration::from_millis(10)).await;
            }
            panic!("there never are {wanted} jobs");
        };
        waiting(1).await;
        caller.abort();
        if left == 1 {
            tokio::time::sleep(Duration::from_millis(300)).await;
        }
        waiting(left).await;
    }
}

#[tokio::test]
async fn a_broken_document_is_told_by_the_job_and_to_who_waits() {
    let service = Service::start().await;
    let body = r#"{"asset":{"version":"2.0"},"nodes":[{"children":[7]}]}"#;
    let send = |prefer: &str| {
        service.client.put(service.url(HERON)).header("prefer", prefer).body(body.to_owned()).send()
    };
    let dead = over(&service, &place(&send("respond-async").await.unwrap())).await;
    assert_eq!((dead.state, dead.attempts), (JobState::Dead, 1), "what is broken is not tried again");
    let problem = dead.problem.unwrap();
    assert_eq!(problem.pointer.as_deref(), Some("/nodes/0/children/0"));
    let told = send("respond-async, wait=30").await.unwrap();
    assert_eq!(told.status(), StatusCode::UNPROCESSABLE_ENTITY);
    assert_eq!(told.headers()["content-type"], "application/problem+json");
    assert_eq!(told.json::<Problem>().await.unwrap(), problem);
}

#[tokio::test]
async fn what_can_be_seen_at_once_is_refused_at_once() {
    let (service, _app) = Service::open(|_| {}).await;
    let refused = async |path: &str, body: &Value| {
        let answer = put(&service, path, body, "respond-async").await;
        assert!(answer.status().is_client_error(), "{path}");
        answer.json::<Problem>().await.unwrap().kind
    };
    assert_eq!(refused(HERON, &plan("eel")).await, "/problems/asset-mismatch");
    assert_eq!(refused(&format!("{HERON}?profile=flim"), &plan("heron")).await, "/problems/unknown-profile");
    assert_eq!(refused(&format!("{HERON}?only=skin/sun"), &plan("heron")).await, "/problems/unknown-check");
    assert_eq!(refused(&format!("{HERON}?priority=high"), &plan("heron")).await, "/problems/invalid-request");
    let missing =
        service.client.put(service.url(HERON)).header("prefer", "respond-async").header("if-match", "*");
    let missing = missing.json(&plan("heron")).send().await.unwrap();
    assert_eq!(missing.status(), StatusCode::PRECONDITION_FAILED);
}

#[tokio::test]
async fn on_its_way_to_a_label_the_same_bytes_are_one_job_and_other_bytes_a_conflict() {
    let (service, app) = Service::open(|_| {}).await;
    let first = place(&put(&service, HERON, &plan("heron"), "respond-async").await);
    assert_eq!(place(&put(&service, HERON, &plan("heron"), "respond-async").await), first);
    let other = put(&service, HERON, &broken_plan("heron"), "respond-async").await;
    assert_eq!(other.status(), StatusCode::CONFLICT);
    assert_eq!(other.json::<Problem>().await.unwrap().kind, "/problems/revision-conflict");
    let workers = worker::start(&app);
    assert_eq!(over(&service, &first).await.state, JobState::Done);
    let tag = service.client.get(service.url(HERON)).send().await.unwrap().headers()["etag"].clone();
    let replace = service.client.put(service.url(HERON)).header("prefer", "wait=30").header("if-match", tag);
    let replaced = replace.json(&broken_plan("heron")).send().await.unwrap();
    assert_eq!(replaced.status(), StatusCode::CREATED);
    assert_eq!(replaced.json::<Revision>().await.unwrap().number, 2);
    workers.stop().await;
}

#[tokio::test]
async fn gates_go_before_bulk_and_have_the_last_places() {
    let (service, app) = Service::open(|config| {
        config.work.threads = 1;
        config.jobs.waiting = 10;
    })
    .await;
    let send = async |label: String, priority: &str| {
        let path = format!("/v1/assets/tidepool/heron/revisions/{label}?priority={priority}");
        put(&service, &path, &plan("heron"), "respond-async").await
    };
    for number in 0..9 {
        place(&send(format!("bulk-{number}"), "bulk").await);
    }
    let full = send("bulk-9".into(), "bulk").await;
    assert_eq!(
        (full.status(), &full.headers()["retry-after"]),
        (StatusCode::SERVICE_UNAVAILABLE, &"2".parse().unwrap())
    );
    assert_eq!(full.json::<Problem>().await.unwrap().kind, "/problems/busy");
    let gate = place(&send("gate".into(), "gate").await);
    assert_eq!(send("gate-2".into(), "gate").await.status(), StatusCode::SERVICE_UNAVAILABLE);
    let workers = worker::start(&app);
    assert_eq!(over(&service, &gate).await.state, JobState::Done);
    let url = service.url("/v1/assets/tidepool/heron/revisions/gate");
    let revision: Revision = service.client.get(url).send().await.unwrap().json().await.unwrap();
    assert_eq!(revision.number, 1, "the gate came last and went first");
    workers.stop().await;
}

#[tokio::test]
async fn a_cancelled_job_has_no_effect_whether_it_waited_or_ran() {
    let (service, app) = Service::open(|config| config.work.threads = 1).await;
    let delete = |place: &str| service.client.delete(service.url(place)).send();
    let waiting = place(&put(&service, HERON, &plan("heron"), "respond-async").await);
    assert_eq!(delete(&waiting).await.unwrap().json::<Job>().await.unwrap().state, JobState::Cancelled);
    assert_eq!(delete(&waiting).await.unwrap().status(), StatusCode::OK, "again changes nothing");
    // The only thread is taken: the next job runs, and waits for it.
    let (release, held) = mpsc::channel::<()>();
    let pool = app.pool.clone();
    let taken = tokio::spawn(async move { pool.run(move |_| held.recv()).await });
    while app.pool.in_use() < 1 {
        tokio::task::yield_now().await;
    }
    let workers = worker::start(&app);
    let running = place(&put(&service, HERON, &plan("heron"), "respond-async").await);
    state(&service, &running, JobState::Running).await;
    assert_eq!(delete(&running).await.unwrap().status(), StatusCode::OK);
    release.send(()).unwrap();
    taken.await.unwrap().unwrap().unwrap();
    let other = "/v1/assets/tidepool/eel/revisions/v1";
    let after = place(&put(&service, other, &plan("eel"), "respond-async").await);
    assert_eq!(over(&service, &after).await.state, JobState::Done, "the worker goes on");
    assert_eq!(service.client.get(service.url(HERON)).send().await.unwrap().status(), StatusCode::NOT_FOUND);
    assert_eq!(job(&service, &running).await.state, JobState::Cancelled);
    let late = delete(&after).await.unwrap();
    assert_eq!(late.status(), StatusCode::CONFLICT);
    assert_eq!(late.json::<Problem>().await.unwrap().kind, "/problems/job-state");
    assert_eq!(delete("/v1/jobs/none").await.unwrap().status(), StatusCode::NOT_FOUND);
    let none = service.client.get(service.url(&format!("{after}/report"))).send().await.unwrap();
    assert_eq!(none.status(), StatusCode::NOT_FOUND, "its report is the revision's");
    workers.stop().await;
}

#[tokio::test]
async fn a_lost_lease_is_taken_over_and_the_effect_comes_once() {
    let (service, app) = Service::open(|_| {}).await;
    let at = place(&put(&service, HERON, &plan("heron"), "respond-async").await);
    // A worker that takes the job for a millisecond and says nothing more.
    let now = condyle_server::clock::now_ms();
    let Claim::Leased(lost) = app.queue.claim("gone", now, 1, 9, 99).await.unwrap() else { panic!("none") };
    assert_eq!(job(&service, &at).await.state, JobState::Running);
    let workers = worker::start(&app);
    let done = over(&service, &at).await;
    assert_eq!((done.state, done.attempts), (JobState::Done, 2));
    let late = app.queue.finish(&lost, Made::Kept("/nowhere"), now).await.unwrap();
    assert_eq!(late, Finished::Lost, "it comes too late to write anything");
    assert!(!app.queue.beat(&lost, now + 1_000_000, 1, 10).await.unwrap());
    assert_eq!(job(&service, &at).await, done);
    let url = service.url("/v1/assets/tidepool/heron/revisions");
    let page: RevisionPage = service.client.get(url).send().await.unwrap().json().await.unwrap();
    assert_eq!(page.items.len(), 1);
    workers.stop().await;
}

#[tokio::test]
async fn a_job_that_stops_its_workers_is_given_up_with_the_reason() {
    let (service, app) = Service::open(|config| config.jobs.attempts = 2).await;
    let at = place(&put(&service, HERON, &plan("heron"), "respond-async").await);
    for time in [1, 2] {
        let now = condyle_server::clock::now_ms() + time;
        let claim = app.queue.claim(&format!("gone-{time}"), now, 0, 2, 99).await.unwrap();
        assert!(matches!(claim, Claim::Leased(_)), "{claim:?}");
    }
    let workers = worker::start(&app);
    let dead = over(&service, &at).await;
    assert_eq!(dead.state, JobState::Dead);
    let problem = dead.problem.unwrap();
    assert!(problem.kind == "/problems/internal" && problem.incident.is_some(), "{problem:?}");
    workers.stop().await;
}

#[tokio::test]
async fn what_may_pass_is_tried_again_after_a_pause() {
    let (service, app) = Service::open(|config| config.jobs.pause_s = 1).await;
    let at = place(&put(&service, HERON, &plan("heron"), "respond-async").await);
    let (blobs, aside) = (service.folder.join("blobs"), service.folder.join("aside"));
    std::fs::rename(&blobs, &aside).unwrap();
    let workers = worker::start(&app);
    let failed = state(&service, &at, JobState::Failed).await;
    assert!(failed.retry_at.is_some() && failed.problem.is_some(), "{failed:?}");
    std::fs::rename(&aside, &blobs).unwrap();
    let done = over(&service, &at).await;
    assert_eq!((done.state, &done.problem), (JobState::Done, &None));
    assert!(done.attempts > 1);
    workers.stop().await;
}

#[tokio::test]
async fn a_stop_gives_jobs_back_and_a_start_goes_on_with_them() {
    let folder = tempfile::tempdir().unwrap();
    let mut config = configuration(folder.path());
    config.work.threads = 1;
    let app = App::open(config).await.unwrap();
    let at = {
        let listener = tokio::net::TcpListener::bind(("127.0.0.1", 0)).await.unwrap();
        let base = format!("http://{}", listener.local_addr().unwrap());
        let router = condyle_server::routes::router(app.clone());
        let serving = tokio::spawn(async move { axum::serve(listener, router).await });
        let request = condyle_tests::client().put(format!("{base}{HERON}")).header("prefer", "respond-async");
        let at = place(&request.json(&plan("heron")).send().await.unwrap());
        serving.abort();
        at
    };
    let id = at.trim_start_matches("/v1/jobs/");
    let (release, held) = mpsc::channel::<()>();
    let pool = app.pool.clone();
    let taken = tokio::spawn(async move { pool.run(move |_| held.recv()).await });
    while app.pool.in_use() < 1 {
        tokio::task::yield_now().await;
    }
    let workers = worker::start(&app);
    while app.queue.get(id).await.unwrap().unwrap().job.state != JobState::Running {
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
    workers.stop().await;
    let back = app.queue.get(id).await.unwrap().unwrap().job;
    assert_eq!((back.state, back.attempts), (JobState::Queued, 0));
    release.send(()).unwrap();
    taken.await.unwrap().unwrap().unwrap();
    app.store.close().await;
    let service = Service::start_in(folder.path(), |_| {}).await;
    assert_eq!(over(&service, &at).await.state, JobState::Done);
}

/// draft-ietf-httpapi-idempotency-key-header-07, §2.6 and §2.7.
#[tokio::test]
async fn a_key_gets_the_first_answer_again_and_no_other_request() {
    let service = Service::start().await;
    let send = |key: &str, path: &str, body: &Value, prefer: &str| {
        let request = service.client.put(service.url(path)).header("idempotency-key", key);
        request.header("prefer", prefer).json(body).send()
    };
    let first = send("\"k1\"", HERON, &plan("heron"), "x").await.unwrap();
    assert_eq!(first.status(), StatusCode::CREATED);
    let (tag, text) = (first.headers()["etag"].clone(), first.text().await.unwrap());
    let again = send("k1", HERON, &plan("heron"), "x").await.unwrap();
    assert_eq!((again.status(), &again.headers()["etag"]), (StatusCode::CREATED, &tag));
    assert_eq!(
        (&again.headers()["location"], &again.headers()["content-type"]),
        (&HERON.parse().unwrap(), &"application/json".parse().unwrap())
    );
    assert_eq!(again.text().await.unwrap(), text);
    for (path, body) in
        [(HERON, broken_plan("heron")), ("/v1/assets/tidepool/heron/revisions/v2", plan("heron"))]
    {
        let other = send("k1", path, &body, "x").await.unwrap();
        assert_eq!(other.status(), StatusCode::UNPROCESSABLE_ENTITY);
        assert_eq!(other.json::<Problem>().await.unwrap().kind, "/problems/idempotency-key-reused");
    }
    let post = || {
        let request = service.client.post(service.url("/v1/checks")).header("idempotency-key", "k2");
        request.header("prefer", "respond-async").json(&plan("a")).send()
    };
    let at = place(&post().await.unwrap());
    assert_eq!(place(&post().await.unwrap()), at, "one job, however often it is sent");
    let refused = send("k3", HERON, &plan("eel"), "x").await.unwrap().text().await.unwrap();
    assert_eq!(send("k3", HERON, &plan("eel"), "x").await.unwrap().text().await.unwrap(), refused);
    let empty = send("\"\"", HERON, &plan("heron"), "x").await.unwrap();
    assert_eq!(empty.json::<Problem>().await.unwrap().kind, "/problems/invalid-request");
}

#[tokio::test]
async fn a_key_is_in_use_while_it_is_answered_and_free_when_its_caller_goes_away() {
    let (service, app) = Service::open(|config| config.work.threads = 1).await;
    let (release, held) = mpsc::channel::<()>();
    let pool = app.pool.clone();
    let taken = tokio::spawn(async move { pool.run(move |_| held.recv()).await });
    while app.pool.in_use() < 1 {
        tokio::task::yield_now().await;
    }
    let send = || {
        let request = service.client.put(service.url(HERON)).header("idempotency-key", "k");
        request.json(&plan("heron")).send()
    };
    let first = tokio::spawn(send());
    while app.pool.in_use() < 2 {
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
    let second = send().await.unwrap();
    assert_eq!(
        (second.status(), &second.headers()["retry-after"]),
        (StatusCode::CONFLICT, &"1".parse().unwrap())
    );
    assert_eq!(second.json::<Problem>().await.unwrap().kind, "/problems/idempotency-key-in-use");
    first.abort();
    while app.pool.in_use() > 1 {
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
    release.send(()).unwrap();
    taken.await.unwrap().unwrap().unwrap();
    let mut status = StatusCode::CONFLICT;
    for _ in 0..100 {
        status = send().await.unwrap().status();
        if status != StatusCode::CONFLICT {
            break;
        }
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    assert_eq!(status, StatusCode::CREATED);
}

#[tokio::test]
async fn an_answer_is_kept_for_its_time_only() {
    let service = Service::start_with(|config| config.jobs.keep_answers_h = 0).await;
    let send = |body: Value| {
        let request = service.client.put(service.url(HERON)).header("idempotency-key", "k");
        request.json(&body).send()
    };
    assert_eq!(send(plan("heron")).await.unwrap().status(), StatusCode::CREATED);
    assert_eq!(send(plan("heron")).await.unwrap().status(), StatusCode::OK, "it is asked anew");
    assert_eq!(
        send(broken_plan("heron")).await.unwrap().status(),
        StatusCode::CONFLICT,
        "by the label, not the key"
    );
}

#[tokio::test]
async fn what_is_over_is_forgotten_in_time_and_what_is_not_stays() {
    let (service, app) = Service::open(|_| {}).await;
    let waiting = place(&put(&service, HERON, &plan("heron"), "respond-async").await);
    let other = "/v1/assets/tidepool/eel/revisions/v1";
    let gone = place(&put(&service, other, &plan("eel"), "respond-async").await);
    service.client.delete(service.url(&gone)).send().await.unwrap();
    assert_eq!(app.queue.forget(condyle_server::clock::now_ms() + 1_000).await.unwrap(), 1);
    assert_eq!(service.client.get(service.url(&gone)).send().await.unwrap().status(), StatusCode::NOT_FOUND);
    assert_eq!(job(&service, &waiting).await.state, JobState::Queued);
}

/// A reference skeleton, a profile and waivers come along with the job.
#[tokio::test]
async fn a_job_judges_by_all_that_was_sent() {
    let service = Service::start().await;
    let folder = Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/../openapi/examples"));
    let read = |name: &str| std::fs::read_to_string(folder.join(name)).unwrap();
    let form = || {
        reqwest::multipart::Form::new()
            .text("plan", read("stilt-heron.plan.json"))
            .text("waivers", read("stilt-heron.waivers.json"))
            .text("profile", read("tidepool.profile.toml"))
            .text("reference", plan("heron").to_string())
    };
    let url = service.url("/v1/checks?as_of=2026-11-25");
    let send = |prefer: &str| service.client.post(&url).header("prefer", prefer).multipart(form()).send();
    let now: Value = send("x").await.unwrap().json().await.unwrap();
    let later: Value = send("wait=30").await.unwrap().json().await.unwrap();
    assert_eq!(now["profile"]["name"], json!("tidepool-layout"));
    assert_eq!(later, now);
}

#[tokio::test]
async fn what_a_full_queue_refuses_leaves_nothing_on_the_disk() {
    let (service, _app) = Service::open(|config| config.jobs.waiting = 1).await;
    let blobs = || -> usize {
        let folders =
            std::fs::read_dir(service.folder.join("blobs")).unwrap().map(|entry| entry.unwrap().path());
        folders.filter(|path| path.is_dir()).map(|path| std::fs::read_dir(path).unwrap().count()).sum()
    };
    let send = |asset: &str| {
        let url = service.url(&format!("/v1/assets/tidepool/{asset}/revisions/v1"));
        service.client.put(url).header("prefer", "respond-async").json(&plan(asset)).send()
    };
    let first = send("heron").await.unwrap();
    assert_eq!(first.status(), StatusCode::ACCEPTED);
    assert_eq!(blobs(), 1);
    let refused = send("eel").await.unwrap();
    assert_eq!(refused.status(), StatusCode::SERVICE_UNAVAILABLE);
    assert!(refused.headers().contains_key("retry-after"));
    assert_eq!(blobs(), 1);
    let again = send("heron").await.unwrap();
    assert_eq!((again.status(), place(&again)), (StatusCode::ACCEPTED, place(&first)), "it is there already");
}
