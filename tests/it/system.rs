//! Probes, metrics, the description and the page.

use condyle_tests::{Service, broken_plan, plan};
use serde_json::Value;

#[tokio::test]
async fn probes_metrics_and_pages_answer() {
    let service = Service::start().await;
    let get = |path: &str| service.client.get(service.url(path)).send();
    service
        .client
        .put(service.url("/v1/assets/tidepool/heron/revisions/v1"))
        .json(&broken_plan("heron"))
        .send()
        .await
        .unwrap();
    for path in [
        "/healthz",
        "/readyz",
        "/docs",
        "/v1/catalogue",
        "/v1/catalogue/skin/sum",
        "/v1/profiles",
        "/v1/profiles/film",
    ] {
        assert!(get(path).await.unwrap().status().is_success(), "{path}");
    }
    let metrics = get("/metrics").await.unwrap().text().await.unwrap();
    assert!(metrics.contains("condyle_requests_total{") && !metrics.contains("heron"), "{metrics}");
    let page = get("/").await.unwrap().text().await.unwrap();
    assert!(page.contains("heron") && page.contains("■ fail"));
    let findings = get("/assets/tidepool/heron/v1").await.unwrap().text().await.unwrap();
    assert!(
        findings.contains("chest hangs from hisp")
            && !findings.contains("http://")
            && !findings.contains("https://")
    );
}

#[tokio::test]
async fn names_from_an_upload_are_text_on_the_page() {
    let service = Service::start().await;
    let mut plan = broken_plan("heron");
    plan["joints"][1]["name"] = "<script>alert(1)</script>".into();
    service
        .client
        .put(service.url("/v1/assets/tidepool/heron/revisions/v1"))
        .json(&plan)
        .send()
        .await
        .unwrap();
    let page = service
        .client
        .get(service.url("/assets/tidepool/heron/v1"))
        .send()
        .await
        .unwrap()
        .text()
        .await
        .unwrap();
    assert!(page.contains("&lt;script&gt;") && !page.contains("<script"));
}

/// The plan schema accepts what the reader accepts and refuses what it refuses (JSON Schema 2020-12, by `jsonschema`).
#[tokio::test]
async fn the_plan_schema_agrees_with_the_reader() {
    let schema: Value = serde_json::from_str(&condyle_server::openapi::plan_schema()).unwrap();
    let validator = jsonschema::draft202012::new(&schema).unwrap();
    let service = Service::start().await;
    let mut cases = vec![plan("a"), broken_plan("a")];
    for (pointer, value) in [
        ("/units", serde_json::json!({"metres": 0.01})),
        ("/units", serde_json::json!({"feet": 1})),
        ("/joints", serde_json::json!([{"name": "a"}])),
        ("/joints", serde_json::json!([{"name": "a", "origin": [0, 0]}])),
        ("/roots", serde_json::json!(["hips"])),
        ("/roots", serde_json::json!("hips")),
        ("/colour", serde_json::json!("red")),
        ("/extras", serde_json::json!({"colour": "red"})),
        ("/parts", serde_json::json!([{"name": "s", "kind": "spine", "joints": ["hips"], "side": "up"}])),
        ("/axes", serde_json::json!({"long": "+y", "bend": "+x"})),
    ] {
        let mut case = plan("a");
        case[&pointer[1..]] = value;
        cases.push(case);
    }
    for case in cases {
        let status =
            service.client.post(service.url("/v1/checks")).json(&case).send().await.unwrap().status();
        assert_eq!(validator.is_valid(&case), status.is_success(), "{status}: {case}");
    }
}

/// Routes are added with their descriptions (`routes::described`), so none can be missing; what they say is looked at.
#[test]
fn every_route_is_described_with_all_its_answers() {
    let description: Value = serde_json::from_str(&condyle_server::openapi::document()).unwrap();
    assert_eq!(description["openapi"], "3.1.0");
    let paths = description["paths"].as_object().unwrap();
    for path in [
        "/v1/checks",
        "/v1/parents",
        "/v1/assets",
        "/v1/assets/{production}/{asset}",
        "/v1/assets/{production}/{asset}/revisions",
        "/v1/assets/{production}/{asset}/revisions/{label}",
        "/v1/assets/{production}/{asset}/revisions/{label}/report",
        "/v1/assets/{production}/{asset}/revisions/{label}/input",
        "/v1/inputs/{sha256}",
        "/v1/productions",
        "/v1/catalogue",
        "/v1/catalogue/{family}/{name}",
        "/v1/profiles",
        "/v1/profiles/{name}",
        "/openapi.json",
        "/docs",
        "/healthz",
        "/readyz",
        "/metrics",
        "/problems/{name}",
        "/",
    ] {
        assert!(paths.contains_key(path), "{path} is not served");
    }
    let tags: Vec<&str> =
        description["tags"].as_array().unwrap().iter().map(|t| t["name"].as_str().unwrap()).collect();
    let mut ids = std::collections::BTreeSet::new();
    for (path, operations) in paths {
        for (method, operation) in operations.as_object().unwrap() {
            let at = format!("{method} {path}");
            let id = operation["operationId"].as_str().unwrap();
            assert!(ids.insert(id.to_owned()), "{at}: {id} is taken");
            assert!(operation["summary"].as_str().is_some_and(|s| !s.is_empty()), "{at}: no summary");
            assert!(tags.contains(&operation["tags"][0].as_str().unwrap()), "{at}: unknown tag");
            for segment in path.split('/').filter(|s| s.starts_with('{')) {
                let name = segment.trim_matches(['{', '}']);
                let named = operation["parameters"].as_array().unwrap().iter().any(|p| p["name"] == name);
                assert!(named, "{at}: {name} is not described");
            }
            for parameter in operation["parameters"].as_array().into_iter().flatten() {
                let told = parameter["description"].as_str().is_some_and(|d| !d.is_empty());
                assert!(told, "{at}: {}", parameter["name"]);
            }
            for (status, response) in operation["responses"].as_object().unwrap() {
                let told = response["description"].as_str().is_some_and(|d| !d.is_empty());
                assert!(told, "{at} {status}: no description");
                if status.starts_with(['4', '5']) && method != "head" {
                    let problem = response["content"].get("application/problem+json").is_some();
                    assert!(problem, "{at} {status}: not a problem");
                }
            }
        }
    }
}
