//! Every endpoint with every wrong token. The table is written by hand: a route that is added without a line here fails
//! the test, and so does one whose description says something else.

use std::collections::BTreeMap;

use condyle_api::{Job, Problem, Recheck, Scope, Token};
use condyle_server::access::{Act, secret};
use condyle_server::store::{Store, StoredToken};
use condyle_tests::{Service, broken_plan, plan};
use reqwest::redirect::Policy;
use reqwest::{Method, Response, StatusCode};
use serde_json::{Value, json};

/// What an endpoint takes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Takes {
    /// Nothing.
    Open,
    /// This scope.
    Token(Scope),
}

/// What a token with the scope gets that is for another production than the data's.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Elsewhere {
    /// 403: the path names the production, or it is about all of them.
    Refused,
    /// 404, as if it were not there: the path has an id.
    Hidden,
    /// An answer without what belongs to the other production.
    Filtered,
    /// As everybody: nothing in it belongs to a production.
    Same,
}

use Elsewhere::{Filtered, Hidden, Refused, Same};
const OPEN: Takes = Takes::Open;
const READ: Takes = Takes::Token(Scope::Read);
const SUBMIT: Takes = Takes::Token(Scope::Submit);
const ADMINISTER: Takes = Takes::Token(Scope::Administer);

const TABLE: &[(&str, &str, Takes, Elsewhere)] = &[
    ("get", "/", READ, Filtered),
    ("get", "/assets/{production}/{asset}/difference", READ, Refused),
    ("get", "/assets/{production}/{asset}/{label}", READ, Refused),
    ("get", "/checks/{family}/{name}", OPEN, Same),
    ("get", "/docs", OPEN, Same),
    ("get", "/healthz", OPEN, Same),
    ("get", "/metrics", READ, Refused),
    ("get", "/openapi.json", OPEN, Same),
    ("get", "/problems/{name}", OPEN, Same),
    ("get", "/readyz", OPEN, Same),
    ("get", "/sign-in", OPEN, Same),
    ("post", "/sign-in", OPEN, Same),
    ("get", "/v1/assets", READ, Filtered),
    ("get", "/v1/assets/{production}/{asset}", READ, Refused),
    ("delete", "/v1/assets/{production}/{asset}", ADMINISTER, Refused),
    ("get", "/v1/assets/{production}/{asset}/badge.svg", READ, Refused),
    ("get", "/v1/assets/{production}/{asset}/difference", READ, Refused),
    ("get", "/v1/assets/{production}/{asset}/revisions", READ, Refused),
    ("get", "/v1/assets/{production}/{asset}/revisions/{label}", READ, Refused),
    ("put", "/v1/assets/{production}/{asset}/revisions/{label}", SUBMIT, Refused),
    ("delete", "/v1/assets/{production}/{asset}/revisions/{label}", ADMINISTER, Refused),
    ("get", "/v1/assets/{production}/{asset}/revisions/{label}/figure", READ, Refused),
    ("get", "/v1/assets/{production}/{asset}/revisions/{label}/input", READ, Refused),
    ("get", "/v1/assets/{production}/{asset}/revisions/{label}/report", READ, Refused),
    ("get", "/v1/audit", ADMINISTER, Filtered),
    ("get", "/v1/catalogue", OPEN, Same),
    ("get", "/v1/catalogue/{family}/{name}", OPEN, Same),
    ("post", "/v1/checks", SUBMIT, Same),
    ("post", "/v1/differences", SUBMIT, Same),
    ("get", "/v1/events", READ, Filtered),
    ("post", "/v1/figures", SUBMIT, Same),
    ("head", "/v1/inputs/{sha256}", READ, Hidden),
    ("get", "/v1/jobs/{id}", READ, Hidden),
    ("delete", "/v1/jobs/{id}", SUBMIT, Hidden),
    ("get", "/v1/jobs/{id}/figure", READ, Hidden),
    ("get", "/v1/jobs/{id}/report", READ, Hidden),
    ("get", "/v1/jobs/{id}/trial-bind", READ, Hidden),
    ("post", "/v1/parents", SUBMIT, Same),
    ("get", "/v1/productions", READ, Filtered),
    ("get", "/v1/productions/{production}/archive", READ, Refused),
    ("post", "/v1/productions/{production}/archive", ADMINISTER, Refused),
    ("get", "/v1/productions/{production}/badge.svg", READ, Refused),
    ("get", "/v1/productions/{production}/policy", READ, Refused),
    ("put", "/v1/productions/{production}/policy", ADMINISTER, Refused),
    ("get", "/v1/productions/{production}/policy/history", READ, Refused),
    ("get", "/v1/profiles", READ, Same),
    ("get", "/v1/profiles/{name}", READ, Same),
    ("put", "/v1/profiles/{name}", ADMINISTER, Refused),
    ("get", "/v1/profiles/{name}/history", READ, Same),
    ("get", "/v1/rechecks", READ, Filtered),
    ("post", "/v1/rechecks", ADMINISTER, Refused),
    ("get", "/v1/rechecks/{id}", READ, Hidden),
    ("delete", "/v1/rechecks/{id}", ADMINISTER, Hidden),
    ("post", "/v1/rechecks/{id}/pause", ADMINISTER, Hidden),
    ("get", "/v1/rechecks/{id}/results", READ, Hidden),
    ("post", "/v1/rechecks/{id}/resume", ADMINISTER, Hidden),
    ("get", "/v1/references", READ, Same),
    ("get", "/v1/references/{name}", READ, Same),
    ("put", "/v1/references/{name}", ADMINISTER, Refused),
    ("get", "/v1/references/{name}/file", READ, Same),
    ("get", "/v1/references/{name}/history", READ, Same),
    ("post", "/v1/repairs", SUBMIT, Same),
    ("get", "/v1/summary", READ, Filtered),
    ("post", "/v1/sweeps", SUBMIT, Same),
    ("get", "/v1/tokens", ADMINISTER, Refused),
    ("post", "/v1/tokens", ADMINISTER, Refused),
    ("delete", "/v1/tokens/{id}", ADMINISTER, Refused),
    ("post", "/v1/tokens/{id}/rotate", ADMINISTER, Refused),
    ("post", "/v1/trial-binds", SUBMIT, Same),
    ("get", "/v1/waivers/{production}", READ, Refused),
    ("put", "/v1/waivers/{production}", ADMINISTER, Refused),
    ("get", "/v1/waivers/{production}/history", READ, Refused),
    ("get", "/v1/webhooks", ADMINISTER, Refused),
    ("post", "/v1/webhooks", ADMINISTER, Refused),
    ("get", "/v1/webhooks/{id}", ADMINISTER, Refused),
    ("put", "/v1/webhooks/{id}", ADMINISTER, Refused),
    ("delete", "/v1/webhooks/{id}", ADMINISTER, Refused),
    ("get", "/v1/webhooks/{id}/deliveries", ADMINISTER, Refused),
    ("post", "/v1/webhooks/{id}/deliveries/{delivery}/replay", ADMINISTER, Refused),
    ("post", "/v1/webhooks/{id}/replay", ADMINISTER, Refused),
    ("post", "/v1/webhooks/{id}/secret", ADMINISTER, Refused),
];

const ALL: [Scope; 3] = [Scope::Read, Scope::Submit, Scope::Administer];

/// A service that asks for tokens, with an asset of `tidepool`.
struct Guarded {
    service: Service,
    /// Follows nobody to another route.
    client: reqwest::Client,
    admin: String,
    /// Of `tidepool`.
    job: String,
    campaign: String,
    input: String,
}

impl Guarded {
    async fn start() -> Self {
        let service = Service::start_with(|config| {
            config.access.tokens = true;
            config.access.bad_tokens_per_minute = 100_000;
            config.access.requests_per_minute = 100_000;
        })
        .await;
        let admin = service.token("admin", &ALL, None).await;
        let put = async |path: &str, body: &Value| {
            let put = service.client.put(service.url(path)).bearer_auth(&admin).json(body);
            put.header("prefer", "respond-async").send().await.unwrap()
        };
        let sent = put("/v1/assets/tidepool/heron/revisions/v1", &plan("heron")).await;
        let job: Job = sent.json().await.unwrap();
        let done = service.client.get(service.url(&format!("/v1/jobs/{}", job.id))).bearer_auth(&admin);
        done.header("prefer", "wait=30").send().await.unwrap();
        let revision = service.client.get(service.url("/v1/assets/tidepool/heron/revisions/v1"));
        let revision: Value = revision.bearer_auth(&admin).send().await.unwrap().json().await.unwrap();
        let begun = service.client.post(service.url("/v1/rechecks")).bearer_auth(&admin);
        let begun = begun.json(&json!({"production": "tidepool"})).send().await.unwrap();
        let campaign: Recheck = begun.json().await.unwrap();
        let input = revision["input_sha256"].as_str().unwrap().to_owned();
        let client = reqwest::Client::builder().no_proxy().redirect(Policy::none()).build().unwrap();
        Self { service, client, admin, job: job.id, campaign: campaign.id, input }
    }

    fn path(&self, pattern: &str) -> String {
        let id = if pattern.contains("/rechecks/") { &self.campaign } else { &self.job };
        let id = if pattern.contains("/tokens/") { "0123456789abcdef" } else { id };
        [
            ("{production}", "tidepool"),
            ("{asset}", "heron"),
            ("{label}", "v1"),
            ("{id}", id),
            ("{sha256}", &self.input),
            ("{family}/{name}", "skin/sum"),
            ("{name}", "film"),
        ]
        .into_iter()
        .fold(pattern.to_owned(), |path, (name, value)| path.replace(name, value))
    }

    async fn ask(&self, method: &str, pattern: &str, token: Option<&str>) -> Response {
        let method = Method::from_bytes(method.to_uppercase().as_bytes()).unwrap();
        let mut request = self.client.request(method, self.service.url(&self.path(pattern)));
        if let Some(token) = token {
            request = request.bearer_auth(token);
        }
        request.send().await.unwrap()
    }

    async fn store(&self) -> Store {
        self.service.store().await
    }
}

fn described() -> BTreeMap<(String, String), Value> {
    let description: Value = serde_json::from_str(&condyle_server::openapi::document()).unwrap();
    let mut all = BTreeMap::new();
    for (path, methods) in description["paths"].as_object().unwrap() {
        for (method, operation) in methods.as_object().unwrap() {
            all.insert((method.clone(), path.clone()), operation.clone());
        }
    }
    all
}

#[test]
fn the_table_has_every_route_and_the_description_says_the_same() {
    let described = described();
    for (method, path) in described.keys() {
        let lines = TABLE.iter().filter(|line| line.0 == method && line.1 == path).count();
        assert_eq!(lines, 1, "{method} {path}: decide in this table what it takes");
    }
    assert_eq!(TABLE.len(), described.len(), "a line of the table is no route any more");
    for (method, path, takes, _) in TABLE {
        let operation = &described[&((*method).to_owned(), (*path).to_owned())];
        let said = &operation["security"];
        match takes {
            Takes::Open => assert!(said.is_null(), "{method} {path}: {said}"),
            Takes::Token(scope) => {
                assert_eq!(*said, json!([{}, {"token": [scope.word()]}]), "{method} {path}");
                for status in ["401", "403", "429"] {
                    assert!(operation["responses"].get(status).is_some(), "{method} {path} {status}");
                }
            }
        }
    }
}

/// Bad tokens of every kind, by name.
async fn bad_tokens(guarded: &Guarded) -> Vec<(&'static str, Option<String>)> {
    let service = &guarded.service;
    let admin = &guarded.admin;
    let post = async |path: &str, body: Value| {
        let post = service.client.post(service.url(path)).bearer_auth(admin).json(&body);
        post.send().await.unwrap()
    };
    let id = |secret: &str| secret.split('_').nth(1).unwrap().to_owned();
    let revoked = service.token("revoked", &ALL, None).await;
    let gone = service.client.delete(service.url(&format!("/v1/tokens/{}", id(&revoked))));
    assert_eq!(gone.bearer_auth(admin).send().await.unwrap().status(), StatusCode::NO_CONTENT);
    let rotated = service.token("rotated", &ALL, None).await;
    let turned = post(&format!("/v1/tokens/{}/rotate", id(&rotated)), json!({})).await;
    assert_eq!(turned.status(), StatusCode::OK);
    let expired = secret::mint(None).unwrap();
    let stored = StoredToken {
        id: expired.id.clone(),
        name: "expired".into(),
        scopes: ALL.to_vec(),
        productions: None,
        sha256: expired.sha256.clone(),
        old: None,
        created_ms: 1,
        created_by: None,
        expires_ms: 2,
        rotated_ms: None,
        revoked_ms: None,
        last_used_ms: None,
    };
    let store = guarded.store().await;
    store.add_token(&stored, &Act::here()).await.unwrap();
    let swapped =
        format!("condyle_{}_{}", id(admin), secret::mint(None).unwrap().secret.split('_').nth(2).unwrap());
    vec![
        ("none", None),
        ("garbage", Some("hunter2".into())),
        ("another service's", Some(secret::mint(None).unwrap().secret)),
        ("a good id with another secret", Some(swapped)),
        ("the digest instead of the secret", Some(secret::digest(admin))),
        ("upper case", Some(admin.to_uppercase())),
        ("revoked", Some(revoked)),
        ("rotated away", Some(rotated)),
        ("expired", Some(expired.secret)),
    ]
}

#[tokio::test]
async fn no_endpoint_takes_a_wrong_token() {
    let guarded = Guarded::start().await;
    let service = &guarded.service;
    let bad = bad_tokens(&guarded).await;
    let mut lacking = Vec::new();
    let mut elsewhere = Vec::new();
    for scope in ALL {
        let others: Vec<Scope> = ALL.into_iter().filter(|one| *one != scope).collect();
        let word = scope.word();
        lacking.push((scope, service.token(&format!("not-{word}"), &others, None).await));
        let name = format!("{word}-elsewhere");
        elsewhere.push((scope, service.token(&name, &[scope], Some(&["low-water"])).await));
    }
    let of = |list: &[(Scope, String)], scope: Scope| -> String {
        list.iter().find(|(one, _)| *one == scope).map(|(_, token)| token.clone()).unwrap()
    };
    for (method, path, takes, place) in TABLE {
        let at = format!("{method} {path}");
        let Takes::Token(scope) = takes else {
            for (kind, token) in &bad {
                let answer = guarded.ask(method, path, token.as_deref()).await;
                let refused = [401, 403, 429].contains(&answer.status().as_u16());
                assert!(!refused, "{at} with {kind}: {}", answer.status());
            }
            continue;
        };
        for (kind, token) in &bad {
            let answer = guarded.ask(method, path, token.as_deref()).await;
            assert_eq!(answer.status(), StatusCode::UNAUTHORIZED, "{at} with {kind}");
            let challenge = answer.headers()["www-authenticate"].to_str().unwrap().to_owned();
            let expected =
                if token.is_some() { "error=\"invalid_token\"" } else { "Bearer realm=\"condyle\"" };
            assert!(challenge.contains(expected), "{at} with {kind}: {challenge}");
            if *method != "head" {
                let problem: Problem = answer.json().await.unwrap();
                let expected =
                    if token.is_some() { "/problems/token-invalid" } else { "/problems/token-missing" };
                assert_eq!(problem.kind, expected, "{at} with {kind}");
                let told = ["revoked", "expired"].iter().any(|word| kind == word);
                assert!(told || !problem.detail.contains("revoked"), "{at} with {kind}: {}", problem.detail);
            }
        }
        let answer = guarded.ask(method, path, Some(&of(&lacking, *scope))).await;
        assert_eq!(answer.status(), StatusCode::FORBIDDEN, "{at} without {}", scope.word());
        let challenge = answer.headers()["www-authenticate"].to_str().unwrap();
        assert!(
            challenge.contains("error=\"insufficient_scope\"") && challenge.contains(scope.word()),
            "{challenge}"
        );
        let answer = guarded.ask(method, path, Some(&of(&elsewhere, *scope))).await;
        let status = answer.status();
        match place {
            Refused => assert_eq!(status, StatusCode::FORBIDDEN, "{at} elsewhere"),
            Hidden => assert_eq!(status, StatusCode::NOT_FOUND, "{at} elsewhere"),
            Same => assert!(![401, 403].contains(&status.as_u16()), "{at} elsewhere: {status}"),
            Filtered if *path == "/v1/events" => assert_eq!(status, StatusCode::OK, "{at} elsewhere"),
            Filtered => {
                assert_eq!(status, StatusCode::OK, "{at} elsewhere");
                let text = answer.text().await.unwrap();
                assert!(!text.contains("tidepool") && !text.contains("heron"), "{at} elsewhere: {text}");
            }
        }
    }
    // With the scope and in the production each is let in. Last, for some delete.
    for (method, path, takes, place) in TABLE {
        let Takes::Token(scope) = takes else { continue };
        let token = match place {
            Refused if !path.contains("{production}") => guarded.admin.clone(),
            _ => {
                let name = format!("right-{}-{}", method, path.replace(['/', '{', '}'], "."));
                service.token(&name, &[*scope], Some(&["low-water", "tidepool"])).await
            }
        };
        let status = guarded.ask(method, path, Some(&token)).await.status();
        assert!(![401, 403].contains(&status.as_u16()), "{method} {path} with the right token: {status}");
        assert!(!status.is_server_error(), "{method} {path} with the right token: {status}");
    }
}

#[tokio::test]
async fn a_refusal_does_not_tell_whether_another_productions_asset_is_there() {
    let guarded = Guarded::start().await;
    let token = guarded.service.token("outside", &ALL, Some(&["low-water"])).await;
    let ask = async |method: Method, path: &str| {
        let request = guarded.service.client.request(method, guarded.service.url(path)).bearer_auth(&token);
        let answer = request.send().await.unwrap();
        (answer.status(), answer.text().await.unwrap())
    };
    for (method, there, missing) in [
        (Method::GET, "/v1/assets/tidepool/heron", "/v1/assets/nowhere/heron"),
        (Method::GET, "/v1/assets/tidepool/heron/revisions/v1", "/v1/assets/tidepool/eel/revisions/v9"),
        (Method::DELETE, "/v1/assets/tidepool/heron", "/v1/assets/nowhere/eel"),
        (Method::GET, "/v1/productions/tidepool/badge.svg", "/v1/productions/nowhere/badge.svg"),
        (Method::GET, "/v1/assets?production=tidepool", "/v1/assets?production=nowhere"),
        (Method::GET, "/v1/summary?production=tidepool", "/v1/summary?production=nowhere"),
        (Method::GET, "/v1/events?production=tidepool", "/v1/events?production=nowhere"),
    ] {
        let (one, other) = (ask(method.clone(), there).await, ask(method, missing).await);
        assert_eq!(one, other, "{there}");
        assert_eq!(one.0, StatusCode::FORBIDDEN, "{there}");
        let problem: Problem = serde_json::from_str(&one.1).unwrap();
        assert_eq!(problem.kind, "/problems/not-permitted");
    }
    let job = ask(Method::GET, &format!("/v1/jobs/{}", guarded.job)).await;
    let none = ask(Method::GET, "/v1/jobs/0197ffff-ffff-7fff-bfff-ffffffffffff").await;
    assert_eq!(job, none, "a job has no production in its address: it is not there");
}

#[tokio::test]
async fn lists_hold_the_productions_of_the_token() {
    let guarded = Guarded::start().await;
    let service = &guarded.service;
    for (production, asset, body) in [
        ("low-water", "eel", broken_plan("eel")),
        ("low-water", "heron", plan("heron")),
        ("mudflat", "clerk", plan("clerk")),
    ] {
        let url = service.url(&format!("/v1/assets/{production}/{asset}/revisions/v1"));
        let put = service.client.put(url).bearer_auth(&guarded.admin).json(&body).send().await.unwrap();
        assert_eq!(put.status(), StatusCode::CREATED);
    }
    let token = service.token("two", &[Scope::Read], Some(&["tidepool", "low-water"])).await;
    let get = async |path: &str, token: &str| {
        let answer = service.client.get(service.url(path)).bearer_auth(token).send().await.unwrap();
        assert_eq!(answer.status(), StatusCode::OK, "{path}");
        answer.json::<Value>().await.unwrap()
    };
    let names = |page: &Value| -> Vec<String> {
        let items = page["items"].as_array().unwrap().iter();
        items
            .map(|one| {
                format!("{}/{}", one["production"].as_str().unwrap(), one["asset"].as_str().unwrap_or(""))
            })
            .collect()
    };
    assert_eq!(
        names(&get("/v1/assets", &token).await),
        ["low-water/eel", "low-water/heron", "tidepool/heron"]
    );
    // Page by page, each of one, it is the same list.
    let mut paged = Vec::new();
    let mut next = String::new();
    loop {
        let page = get(&format!("/v1/assets?limit=1{next}"), &token).await;
        paged.extend(names(&page));
        let Some(cursor) = page["next"].as_str() else { break };
        next = format!("&cursor={cursor}");
    }
    assert_eq!(paged, ["low-water/eel", "low-water/heron", "tidepool/heron"]);
    assert_eq!(names(&get("/v1/assets?q=HERON", &token).await), ["low-water/heron", "tidepool/heron"]);
    assert_eq!(names(&get("/v1/productions", &token).await), ["low-water/", "tidepool/"]);
    let summary = get("/v1/summary", &token).await;
    assert_eq!((&summary["assets"], &summary["revisions"]), (&json!(3), &json!(3)));
    assert_eq!(summary["verdicts"], json!({"pass": 2, "warn": 0, "fail": 1}));
    let today = summary["trend"].as_array().unwrap().last().unwrap();
    assert_eq!((&today["pass"], &today["fail"], &today["stored"]), (&json!(2), &json!(1), &json!(3)));
    let one = get("/v1/summary?production=low-water", &token).await;
    assert_eq!((&one["assets"], &one["checks"]), (&json!(2), &summary["checks"]));
    let all = get("/v1/summary", &guarded.admin).await;
    assert_eq!(all["assets"], json!(4));
}

/// The memory of `routes/fresh.rs` is asked before a handler is: it must not answer one for another.
#[tokio::test]
async fn a_tag_of_one_is_not_confirmed_to_another() {
    let guarded = Guarded::start().await;
    let service = &guarded.service;
    let outside = service.token("outside", &[Scope::Read], Some(&["low-water"])).await;
    let ask = async |path: &str, token: &str, tag: Option<&str>| {
        let mut get = service.client.get(service.url(path)).bearer_auth(token);
        if let Some(tag) = tag {
            get = get.header("if-none-match", tag);
        }
        get.send().await.unwrap()
    };
    for (path, others) in [("/v1/assets", 200), ("/v1/summary", 200), ("/v1/assets/tidepool/heron", 403)] {
        let tag = ask(path, &guarded.admin, None).await.headers()["etag"].to_str().unwrap().to_owned();
        assert_eq!(ask(path, &guarded.admin, Some(&tag)).await.status(), StatusCode::NOT_MODIFIED, "{path}");
        assert_eq!(ask(path, &outside, Some(&tag)).await.status().as_u16(), others, "{path}");
        assert_eq!(ask(path, "hunter2", Some(&tag)).await.status(), StatusCode::UNAUTHORIZED, "{path}");
    }
    // A token that is revoked is refused at once, whatever is remembered.
    let tokens = ask("/v1/tokens", &guarded.admin, None).await.json::<Value>().await.unwrap();
    let list: Vec<Token> = serde_json::from_value(tokens["items"].clone()).unwrap();
    let id = &list.iter().find(|one| one.name == "outside").unwrap().id;
    let tag = ask("/v1/assets", &outside, None).await.headers()["etag"].to_str().unwrap().to_owned();
    let gone = service.client.delete(service.url(&format!("/v1/tokens/{id}"))).bearer_auth(&guarded.admin);
    assert_eq!(gone.send().await.unwrap().status(), StatusCode::NO_CONTENT);
    assert_eq!(ask("/v1/assets", &outside, Some(&tag)).await.status(), StatusCode::UNAUTHORIZED);
}

#[tokio::test]
async fn a_check_that_became_a_job_is_its_makers() {
    // Without workers, so that the jobs wait.
    let (service, _app) = Service::open(|config| config.access.tokens = true).await;
    let admin = service.token("admin", &ALL, None).await;
    let both = [Scope::Read, Scope::Submit];
    let maker = service.token("maker", &both, Some(&["tidepool"])).await;
    let other = service.token("other", &both, Some(&["tidepool"])).await;
    let send = async |token: &str| {
        let post = service.client.post(service.url("/v1/checks")).bearer_auth(token).json(&plan("heron"));
        // The same key of two tokens is two keys.
        let post = post.header("prefer", "respond-async").header("idempotency-key", "build-42");
        let answer = post.send().await.unwrap();
        assert_eq!(answer.status(), StatusCode::ACCEPTED);
        answer.json::<Job>().await.unwrap().id
    };
    let (mine, theirs) = (send(&maker).await, send(&other).await);
    assert_ne!(mine, theirs);
    assert_eq!(send(&maker).await, mine);
    let look = async |token: &str| {
        let url = service.url(&format!("/v1/jobs/{mine}"));
        service.client.get(url).bearer_auth(token).send().await.unwrap().status()
    };
    assert_eq!(look(&maker).await, StatusCode::OK);
    assert_eq!(look(&other).await, StatusCode::NOT_FOUND);
    assert_eq!(look(&admin).await, StatusCode::OK);
}

#[tokio::test]
async fn a_campaign_of_a_limited_token_is_of_one_of_its_productions() {
    let guarded = Guarded::start().await;
    let service = &guarded.service;
    let token = service.token("lead", &[Scope::Administer], Some(&["tidepool"])).await;
    let begin = async |body: Value| {
        let post = service.client.post(service.url("/v1/rechecks")).bearer_auth(&token).json(&body);
        post.send().await.unwrap().status()
    };
    assert_eq!(begin(json!({})).await, StatusCode::FORBIDDEN);
    assert_eq!(begin(json!({"production": "low-water"})).await, StatusCode::FORBIDDEN);
    assert_eq!(begin(json!({"production": "tidepool"})).await, StatusCode::ACCEPTED);
}
