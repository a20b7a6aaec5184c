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

#[tokio::test]
async fn the_description_lists_every_route_with_described_responses() {
    let description: Value = serde_json::from_str(&condyle_server::openapi::document()).unwrap();
    assert_eq!(description["openapi"], "3.1.0");
    let source =
        std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/../service/server/src/routes/mod.rs"))
            .unwrap();
    let revision = "/v1/assets/{production}/{asset}/revisions/{label}";
    let mut routes: Vec<String> = source
        .split(".route(")
        .skip(1)
        .map(|text| {
            let text = text.split([',', ')']).next().unwrap().trim();
            let text = text.trim_start_matches("&format!(").trim_matches('"');
            text.replace("{REVISION}", revision).replace("REVISION", revision)
        })
        .collect();
    // Pages for people are not part of the API.
    routes.retain(|route| route != "/" && !route.starts_with("/assets/"));
    assert!(routes.len() > 15);
    for route in &routes {
        let operations =
            description["paths"][route].as_object().unwrap_or_else(|| panic!("{route} is not described"));
        for (method, operation) in operations {
            for (status, response) in operation["responses"].as_object().unwrap() {
                assert!(
                    response["description"].as_str().is_some_and(|d| !d.is_empty()),
                    "{method} {route} {status}"
                );
            }
        }
    }
}
