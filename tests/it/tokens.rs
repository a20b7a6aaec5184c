//! Tokens from their making to their end, the audit log, the pace of requests and of guesses, and how a browser signs in.

use std::time::Duration;

use condyle_api::{AuditEntry, AuditPage, Problem, Scope, Token, TokenPage, TokenSecret};
use condyle_server::ServeError;
use condyle_tests::{Service, configuration, plan};
use reqwest::{Response, StatusCode, redirect};
use serde_json::{Value, json};

const ALL: [Scope; 3] = [Scope::Read, Scope::Submit, Scope::Administer];

async fn guarded() -> (Service, String) {
    let service = Service::start_with(|config| {
        config.access.tokens = true;
        config.access.write_every_s = 1;
    })
    .await;
    let admin = service.token("admin", &ALL, None).await;
    (service, admin)
}

async fn post(service: &Service, token: &str, path: &str, body: Value) -> Response {
    service.client.post(service.url(path)).bearer_auth(token).json(&body).send().await.unwrap()
}

async fn get(service: &Service, token: &str, path: &str) -> Response {
    service.client.get(service.url(path)).bearer_auth(token).send().await.unwrap()
}

async fn audit(service: &Service, token: &str, query: &str) -> Vec<AuditEntry> {
    let page = get(service, token, &format!("/v1/audit{query}")).await;
    assert_eq!(page.status(), StatusCode::OK);
    page.json::<AuditPage>().await.unwrap().items
}

#[tokio::test]
async fn a_secret_is_shown_once_and_kept_nowhere() {
    let (service, admin) = guarded().await;
    let new = json!({"name": "farm", "scopes": ["submit", "read", "read"], "productions": ["tidepool"]});
    let made = post(&service, &admin, "/v1/tokens", new.clone()).await;
    assert_eq!(made.status(), StatusCode::CREATED);
    assert_eq!(made.headers()["cache-control"], "no-store");
    let place = made.headers()["location"].to_str().unwrap().to_owned();
    let TokenSecret { token, secret } = made.json().await.unwrap();
    assert_eq!(place, format!("/v1/tokens/{}", token.id));
    assert_eq!(token.scopes, [Scope::Read, Scope::Submit]);
    assert_eq!(token.created_by.as_deref(), Some("admin"));
    let list = get(&service, &admin, "/v1/tokens").await.text().await.unwrap();
    assert!(list.contains("\"farm\"") && !list.contains(&secret) && !list.contains("sha256"), "{list}");
    // Neither the database nor its log holds a secret.
    let (mut files, hex) = (0, secret.rsplit('_').next().unwrap());
    for file in std::fs::read_dir(&service.folder).unwrap().map(|file| file.unwrap().path()) {
        if file.is_file() {
            files += 1;
            let bytes = std::fs::read(&file).unwrap();
            assert!(!bytes.windows(hex.len()).any(|window| window == hex.as_bytes()), "{file:?}");
        }
    }
    assert!(files >= 1);
    let again = post(&service, &admin, "/v1/tokens", new).await;
    assert_eq!(again.status(), StatusCode::CONFLICT);
    assert_eq!(again.json::<Problem>().await.unwrap().kind, "/problems/name-taken");
    for (body, part) in [
        (json!({"name": "x", "scopes": []}), "at least one"),
        (json!({"name": "x", "scopes": ["write"]}), "unknown variant"),
        (json!({"name": "a b", "scopes": ["read"]}), "name"),
        (json!({"name": "x", "scopes": ["read"], "productions": []}), "1 to 100"),
        (json!({"name": "x", "scopes": ["read"], "productions": ["../x"]}), "production"),
        (json!({"name": "x", "scopes": ["read"], "expires_at": "2001-01-01T00:00:00Z"}), "expires_at"),
        (json!({"name": "x", "scopes": ["read"], "expires_at": "soon"}), "expires_at"),
        (json!({"name": "x", "scopes": ["read"], "admin": true}), "unknown field"),
    ] {
        let refused = post(&service, &admin, "/v1/tokens", body.clone()).await;
        assert_eq!(refused.status(), StatusCode::BAD_REQUEST, "{body}");
        let problem: Problem = refused.json().await.unwrap();
        assert!(problem.detail.contains(part), "{body}: {}", problem.detail);
    }
}

#[tokio::test]
async fn a_secret_is_rotated_with_an_overlap_and_a_token_revoked_at_once() {
    let (service, admin) = guarded().await;
    let old = service.token("farm", &[Scope::Read], None).await;
    let id = old.split('_').nth(1).unwrap().to_owned();
    let reads = async |token: &str| get(&service, token, "/v1/productions").await.status();
    let turn = async |overlap: u64| -> TokenSecret {
        let body = json!({"overlap_s": overlap});
        let made = post(&service, &admin, &format!("/v1/tokens/{id}/rotate"), body).await;
        assert_eq!(made.status(), StatusCode::OK);
        made.json().await.unwrap()
    };
    assert_eq!(reads(&old).await, StatusCode::OK);
    let second = turn(2).await;
    assert!(second.token.id == id && second.token.old_until.is_some() && second.secret != old);
    assert_eq!((reads(&old).await, reads(&second.secret).await), (StatusCode::OK, StatusCode::OK));
    tokio::time::sleep(Duration::from_millis(2_200)).await;
    assert_eq!((reads(&old).await, reads(&second.secret).await), (StatusCode::UNAUTHORIZED, StatusCode::OK));
    let third = turn(0).await;
    assert_eq!(reads(&second.secret).await, StatusCode::UNAUTHORIZED);
    assert_eq!(reads(&third.secret).await, StatusCode::OK);
    let url = service.url(&format!("/v1/tokens/{id}"));
    for _ in 0..2 {
        let gone = service.client.delete(&url).bearer_auth(&admin).send().await.unwrap();
        assert_eq!(gone.status(), StatusCode::NO_CONTENT);
        assert_eq!(reads(&third.secret).await, StatusCode::UNAUTHORIZED);
    }
    let list: TokenPage = get(&service, &admin, "/v1/tokens").await.json().await.unwrap();
    assert!(list.items.iter().any(|one| one.id == id && one.revoked_at.is_some()));
    let none = post(&service, &admin, &format!("/v1/tokens/{id}/rotate"), json!({})).await;
    assert_eq!(none.status(), StatusCode::NOT_FOUND);
    // A whole token in the place of an id is refused, and not told back.
    let odd = service.client.delete(service.url(&format!("/v1/tokens/{}", third.secret)));
    let odd = odd.bearer_auth(&admin).send().await.unwrap();
    assert_eq!(odd.status(), StatusCode::BAD_REQUEST);
    assert!(!odd.text().await.unwrap().contains(&third.secret));
}

#[tokio::test]
async fn a_token_that_the_command_line_revoked_is_refused_within_seconds() {
    let (service, _) = guarded().await;
    let token = service.token("farm", &[Scope::Read], None).await;
    assert_eq!(get(&service, &token, "/v1/productions").await.status(), StatusCode::OK);
    let store = service.store().await;
    let id = token.split('_').nth(1).unwrap();
    let act = condyle_server::access::Act::here();
    store.revoke_token(id, &act, condyle_server::clock::now_ms()).await.unwrap().unwrap();
    tokio::time::sleep(Duration::from_millis(5_200)).await;
    assert_eq!(get(&service, &token, "/v1/productions").await.status(), StatusCode::UNAUTHORIZED);
}

#[tokio::test]
async fn the_last_use_is_written_now_and_then() {
    let (service, admin) = guarded().await;
    let token = service.token("desk", &[Scope::Read], None).await;
    let used = async || {
        let page: TokenPage = get(&service, &admin, "/v1/tokens").await.json().await.unwrap();
        let found: Vec<Token> = page.items.into_iter().filter(|one| one.name == "desk").collect();
        found[0].last_used_at.clone()
    };
    assert_eq!(used().await, None);
    for _ in 0..20 {
        get(&service, &token, "/v1/productions").await;
    }
    let mut seen = None;
    for _ in 0..40 {
        seen = used().await;
        if seen.is_some() {
            break;
        }
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    assert!(seen.is_some());
}

#[tokio::test]
async fn what_administrators_do_and_what_is_refused_is_in_the_log() {
    let (service, admin) = guarded().await;
    let reader = service.token("reader", &[Scope::Read], Some(&["tidepool"])).await;
    let lead = service.token("lead", &[Scope::Administer], Some(&["tidepool"])).await;
    let put = async |path: &str, body: &Value| {
        let put = service.client.put(service.url(path)).bearer_auth(&admin).json(body);
        put.header("condyle-reason", "the flood of ’26").send().await.unwrap().status()
    };
    put("/v1/assets/tidepool/heron/revisions/v1", &plan("heron")).await;
    assert_eq!(put("/v1/productions/tidepool/policy", &json!({"profile": "film"})).await, StatusCode::OK);
    assert_eq!(put("/v1/productions/low-water/policy", &json!({"profile": "film"})).await, StatusCode::OK);
    let url = service.url("/v1/assets/tidepool/heron");
    service.client.delete(&url).bearer_auth(&admin).send().await.unwrap();
    for _ in 0..5 {
        service.client.delete(&url).bearer_auth(&reader).send().await.unwrap();
        get(&service, "hunter2", "/v1/assets").await;
    }
    let all = audit(&service, &admin, "").await;
    assert!(all.windows(2).all(|pair| pair[0].id > pair[1].id));
    let one = |action: &str| -> &AuditEntry { all.iter().find(|one| one.action == action).unwrap() };
    let stored = one("policy.stored");
    assert_eq!((stored.who.as_deref(), stored.outcome.as_str()), (Some("admin"), "done"));
    assert_eq!(stored.why.as_deref(), Some("the flood of ’26"));
    assert_eq!(stored.address.as_deref(), Some("127.0.0.1"));
    let deleted = one("asset.deleted");
    assert_eq!((deleted.outcome.as_str(), deleted.subject.as_deref()), ("done", Some("tidepool/heron")));
    // What came to nothing says so.
    let again = service.client.delete(&url).bearer_auth(&admin).send().await.unwrap();
    assert_eq!(again.status(), StatusCode::NOT_FOUND);
    let failed = audit(&service, &admin, "?outcome=failed").await;
    assert_eq!(failed.iter().map(|one| one.action.as_str()).collect::<Vec<_>>(), ["asset.deleted"]);
    let refused = audit(&service, &admin, "?outcome=refused").await;
    let scope = refused.iter().find(|one| one.why.as_deref() == Some("not-permitted")).unwrap();
    assert_eq!((scope.who.as_deref(), scope.production.as_deref()), (Some("reader"), Some("tidepool")));
    assert_eq!(scope.subject.as_deref(), Some("DELETE /v1/assets/{production}/{asset}"));
    let times = |why: &str| -> u64 {
        refused.iter().filter(|one| one.why.as_deref() == Some(why)).map(|one| one.count).sum()
    };
    assert_eq!((times("not-permitted"), times("token-invalid")), (5, 5));
    assert!(refused.len() < 10, "equal ones are counted: {refused:?}");
    assert!(!serde_json::to_string(&all).unwrap().contains("hunter2"), "no bad token is written down");
    // Who administers one production sees what is about it.
    let seen = audit(&service, &lead, "").await;
    assert!(!seen.is_empty());
    assert!(seen.iter().all(|one| one.production.as_deref() == Some("tidepool")), "{seen:?}");
    let elsewhere = get(&service, &lead, "/v1/audit?production=low-water").await;
    assert_eq!(elsewhere.status(), StatusCode::FORBIDDEN);
    // Page by page it is the same list.
    let whole: Vec<u64> =
        audit(&service, &admin, "?action=token.created").await.iter().map(|e| e.id).collect();
    let mut paged = Vec::new();
    let mut next = String::new();
    loop {
        let path = format!("/v1/audit?action=token.created&limit=2{next}");
        let page: AuditPage = get(&service, &admin, &path).await.json().await.unwrap();
        paged.extend(page.items.iter().map(|entry| entry.id));
        let Some(cursor) = page.next else { break };
        next = format!("&cursor={cursor}");
    }
    assert!(whole.len() == 3 && paged == whole, "{whole:?} {paged:?}");
    let until = audit(&service, &admin, "?until=2001-01-01T00:00:00Z").await;
    assert!(until.is_empty());
}

#[tokio::test]
async fn the_log_is_bounded() {
    let service = Service::start_with(|config| {
        config.access.tokens = true;
        config.access.audit_keep = 50;
        config.access.requests_per_minute = 10_000;
    })
    .await;
    let admin = service.token("admin", &ALL, None).await;
    for round in 0..160 {
        let body = json!({"profile": if round % 2 == 0 { "film" } else { "strict" }});
        let put = service.client.put(service.url("/v1/productions/tidepool/policy")).bearer_auth(&admin);
        assert_eq!(put.json(&body).send().await.unwrap().status(), StatusCode::OK);
    }
    let kept = audit(&service, &admin, "?limit=500").await;
    assert!((50..=50 + 64).contains(&kept.len()), "{}", kept.len());
}

#[tokio::test]
async fn a_token_has_a_pace_and_is_told_what_is_left() {
    let service = Service::start_with(|config| {
        config.access.tokens = true;
        config.access.requests_per_minute = 3;
    })
    .await;
    let token = service.token("desk", &[Scope::Read], None).await;
    let other = service.token("other", &[Scope::Read], None).await;
    for left in ["2", "1", "0"] {
        let answer = get(&service, &token, "/v1/productions").await;
        assert_eq!(answer.status(), StatusCode::OK);
        // Fields of draft-ietf-httpapi-ratelimit-headers-10.
        assert_eq!(answer.headers()["ratelimit-policy"], "\"token\";q=3;w=60");
        let told = answer.headers()["ratelimit"].to_str().unwrap();
        assert!(told.starts_with(&format!("\"token\";r={left};t=")), "{told}");
    }
    let refused = get(&service, &token, "/v1/productions").await;
    assert_eq!(refused.status(), StatusCode::TOO_MANY_REQUESTS);
    let wait: u64 = refused.headers()["retry-after"].to_str().unwrap().parse().unwrap();
    assert!((1..=20).contains(&wait), "{wait}");
    assert!(refused.headers()["ratelimit"].to_str().unwrap().contains("r=0"));
    assert_eq!(refused.json::<Problem>().await.unwrap().kind, "/problems/too-many-requests");
    assert_eq!(get(&service, &other, "/v1/productions").await.status(), StatusCode::OK);
    assert_eq!(service.client.get(service.url("/readyz")).send().await.unwrap().status(), StatusCode::OK);
}

#[tokio::test]
async fn guessing_is_slow() {
    let service = Service::start_with(|config| {
        config.access.tokens = true;
        config.access.bad_tokens_per_minute = 3;
    })
    .await;
    let good = service.token("desk", &[Scope::Read], None).await;
    for _ in 0..10 {
        assert_eq!(get(&service, &good, "/v1/productions").await.status(), StatusCode::OK);
    }
    let mut asked = tokio::task::JoinSet::new();
    for guess in 0..30 {
        let request =
            service.client.get(service.url("/v1/productions")).bearer_auth(format!("guess-{guess}"));
        asked.spawn(request.send());
    }
    let (mut looked_at, mut refused) = (0, 0);
    while let Some(answer) = asked.join_next().await {
        match answer.unwrap().unwrap().status() {
            StatusCode::UNAUTHORIZED => looked_at += 1,
            StatusCode::TOO_MANY_REQUESTS => refused += 1,
            other => panic!("{other}"),
        }
    }
    assert_eq!((looked_at, refused), (3, 27), "as many as there may be, also at once");
    // No oracle: the right one is not told apart any more.
    let blind = get(&service, &good, "/v1/productions").await;
    assert_eq!(blind.status(), StatusCode::TOO_MANY_REQUESTS);
    assert!(blind.headers().contains_key("retry-after"));
}

#[tokio::test]
async fn a_forgotten_program_holds_nobody_at_its_address_up() {
    let service = Service::start_with(|config| {
        config.access.tokens = true;
        config.access.bad_tokens_per_minute = 3;
    })
    .await;
    let admin = service.token("admin", &ALL, None).await;
    let old = service.token("old", &[Scope::Read], None).await;
    let id = old.split('_').nth(1).unwrap();
    let gone = service.client.delete(service.url(&format!("/v1/tokens/{id}"))).bearer_auth(&admin);
    assert_eq!(gone.send().await.unwrap().status(), StatusCode::NO_CONTENT);
    for token in [old.as_str(), "hunter2"] {
        for _ in 0..10 {
            assert_eq!(get(&service, token, "/v1/productions").await.status(), StatusCode::UNAUTHORIZED);
        }
    }
    assert_eq!(get(&service, &admin, "/v1/productions").await.status(), StatusCode::OK);
}

#[tokio::test]
async fn a_browser_signs_in_with_a_cookie_that_only_reads() {
    let (service, admin) = guarded().await;
    let put = service.client.put(service.url("/v1/assets/tidepool/heron/revisions/v1"));
    put.bearer_auth(&admin).json(&plan("heron")).send().await.unwrap();
    let token = service.token("desk", &ALL, Some(&["tidepool"])).await;
    let browser = reqwest::Client::builder().no_proxy().redirect(redirect::Policy::none()).build().unwrap();
    let html = "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8";
    let page = browser.get(service.url("/")).header("accept", html).send().await.unwrap();
    assert_eq!(page.status(), StatusCode::UNAUTHORIZED);
    assert!(page.headers().contains_key("www-authenticate"));
    let text = page.text().await.unwrap();
    assert!(text.contains("action=\"/sign-in\"") && text.contains("type=\"password\""), "{text}");
    let sign_in = async |token: &str| {
        let form = format!("token={token}");
        let post = browser.post(service.url("/sign-in")).header("accept", html).body(form);
        post.header("content-type", "application/x-www-form-urlencoded").send().await.unwrap()
    };
    let wrong = sign_in("hunter2").await;
    assert_eq!(wrong.status(), StatusCode::UNAUTHORIZED);
    assert!(!wrong.headers().contains_key("set-cookie"));
    assert!(wrong.text().await.unwrap().contains("not good"));
    let right = sign_in(&token).await;
    assert_eq!(right.status(), StatusCode::SEE_OTHER);
    assert_eq!(right.headers()["location"], "/", "no token in an address");
    let set = right.headers()["set-cookie"].to_str().unwrap().to_owned();
    assert_eq!(set, format!("condyle-token={token}; Path=/; HttpOnly; SameSite=Strict"));
    let cookie = set.split(';').next().unwrap().to_owned();
    let with = |request: reqwest::RequestBuilder| request.header("cookie", &cookie).send();
    let page = with(browser.get(service.url("/"))).await.unwrap();
    assert_eq!(page.status(), StatusCode::OK);
    assert!(page.text().await.unwrap().contains("heron"));
    let listening = with(browser.get(service.url("/v1/events"))).await.unwrap();
    assert_eq!(listening.headers()["content-type"], "text/event-stream");
    for request in [
        browser.delete(service.url("/v1/assets/tidepool/heron")),
        browser.post(service.url("/v1/checks")).json(&plan("heron")),
        browser.put(service.url("/v1/productions/tidepool/policy")).json(&json!({})),
    ] {
        assert_eq!(with(request).await.unwrap().status(), StatusCode::UNAUTHORIZED);
    }
    let out = sign_in("").await;
    assert!(out.headers()["set-cookie"].to_str().unwrap().contains("Max-Age=0"));
    let long = browser.post(service.url("/sign-in")).body("token=".repeat(2_000)).send().await.unwrap();
    assert_eq!(long.status(), StatusCode::PAYLOAD_TOO_LARGE);
}

#[tokio::test]
async fn listeners_hear_their_productions_until_their_token_ends() {
    let (service, admin) = guarded().await;
    let token = service.token("board", &[Scope::Read], Some(&["low-water"])).await;
    let mut line = get(&service, &token, "/v1/events").await;
    assert_eq!(line.status(), StatusCode::OK);
    let mut heard = String::from_utf8(line.chunk().await.unwrap().unwrap().to_vec()).unwrap();
    for (production, asset) in [("tidepool", "heron"), ("low-water", "eel")] {
        let url = service.url(&format!("/v1/assets/{production}/{asset}/revisions/v1"));
        service.client.put(url).bearer_auth(&admin).json(&plan(asset)).send().await.unwrap();
    }
    while !heard.contains("eel") {
        heard.push_str(std::str::from_utf8(&line.chunk().await.unwrap().unwrap()).unwrap());
    }
    // The same from the log.
    let mut again = get(&service, &token, "/v1/events?after=0").await;
    let mut logged = String::new();
    while !logged.contains("eel") {
        logged.push_str(std::str::from_utf8(&again.chunk().await.unwrap().unwrap()).unwrap());
    }
    heard.push_str(&logged);
    assert!(!heard.contains("heron") && !heard.contains("tidepool"), "{heard}");
    let id = token.split('_').nth(1).unwrap();
    let gone = service.client.delete(service.url(&format!("/v1/tokens/{id}"))).bearer_auth(&admin);
    gone.send().await.unwrap();
    let ended = async { while line.chunk().await.unwrap().is_some() {} };
    tokio::time::timeout(Duration::from_secs(5), ended).await.unwrap();
}

#[tokio::test]
async fn metrics_are_open_where_the_configuration_says_so() {
    let (closed, admin) = guarded().await;
    assert_eq!(
        closed.client.get(closed.url("/metrics")).send().await.unwrap().status(),
        StatusCode::UNAUTHORIZED
    );
    let text = get(&closed, &admin, "/metrics").await.text().await.unwrap();
    assert!(text.contains("condyle_refusals_total{kind=\"token-missing\"}"), "{text}");
    assert!(!text.contains(&admin));
    let open = Service::start_with(|config| {
        config.access.tokens = true;
        config.access.open_metrics = true;
    })
    .await;
    assert_eq!(open.client.get(open.url("/metrics")).send().await.unwrap().status(), StatusCode::OK);
}

#[tokio::test]
async fn without_tokens_it_listens_on_loopback_only_unless_told() {
    let folder = tempfile::tempdir().unwrap();
    let serve = async |change: fn(&mut condyle_server::config::Config)| {
        let mut config = configuration(folder.path());
        config.server.listen = "0.0.0.0:0".parse().unwrap();
        change(&mut config);
        condyle_server::serve(config, |_| {}, async {}).await
    };
    let refused = serve(|_| {}).await.unwrap_err();
    assert!(
        matches!(refused, ServeError::Open(_)) && refused.to_string().contains("access.tokens"),
        "{refused}"
    );
    serve(|config| config.access.tokens = true).await.unwrap();
    serve(|config| config.access.anyone = true).await.unwrap();
}
