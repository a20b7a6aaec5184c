//! `/metrics`, and what deploy/ says about it.

use std::collections::{BTreeMap, BTreeSet};

use condyle_tests::{Service, plan};
use serde_json::Value;

const PAGE: &str = include_str!("../../deploy/METRICS.md");
const ALERTS: &str = include_str!("../../deploy/prometheus/alerts.yml");
const RECORDS: &str = include_str!("../../deploy/prometheus/records.yml");
const DASHBOARD: &str = include_str!("../../deploy/dashboard.json");

/// The metrics of the page's table with their labels: words in backticks before a colon, or alone in the cell.
fn documented() -> BTreeMap<String, BTreeSet<String>> {
    let rows = PAGE.lines().filter(|line| line.starts_with("| `condyle_"));
    rows.map(|row| {
        let cells: Vec<&str> = row.split('|').map(str::trim).collect();
        let labels = cells[3].split(';').filter_map(|label| label.split('`').nth(1));
        (cells[1].trim_matches('`').to_owned(), labels.map(str::to_owned).collect())
    })
    .collect()
}

/// Metric, labels and their values of each line.
fn served(text: &str) -> Vec<(String, Vec<(String, String)>)> {
    let lines = text.lines().filter(|line| !line.starts_with('#') && !line.is_empty());
    lines
        .map(|line| {
            let (name, rest) = line.split_at(line.find(['{', ' ']).unwrap());
            let inside =
                rest.strip_prefix('{').and_then(|rest| rest.rsplit_once('}')).map_or("", |(in_, _)| in_);
            let labels = inside.split("\",").filter(|pair| !pair.is_empty()).map(|pair| {
                let (key, value) = pair.split_once('=').unwrap();
                (key.to_owned(), value.trim_matches('"').to_owned())
            });
            (name.to_owned(), labels.collect())
        })
        .collect()
}

fn stem(name: &str) -> &str {
    ["_bucket", "_sum", "_count"].iter().find_map(|end| name.strip_suffix(end)).unwrap_or(name)
}

#[tokio::test]
async fn every_metric_and_label_is_documented_and_every_label_is_bounded() {
    let service = Service::start().await;
    service.submit("/v1/assets/tidepool/heron/revisions/v1", &plan("heron")).await;
    // What hostile callers try: names and methods of their own.
    for path in ["/v1/assets/secret-show/x", "/nowhere/at/all", "/v1/summary?production=secret-show"] {
        service.client.get(service.url(path)).send().await.unwrap();
    }
    let method = reqwest::Method::from_bytes(b"SECRETVERB").unwrap();
    service.client.request(method, service.url("/v1/assets")).send().await.unwrap();
    let page = service.client.get(service.url("/v1/summary")).send().await.unwrap();
    let tag = page.headers()["etag"].clone();
    service.client.get(service.url("/v1/summary")).header("if-none-match", tag).send().await.unwrap();
    let text = service.client.get(service.url("/metrics")).send().await.unwrap().text().await.unwrap();
    for told in ["secret-show", "secretverb"] {
        assert!(!text.to_lowercase().contains(told), "{text}");
    }
    let documented = documented();
    let description: Value = serde_json::from_str(&condyle_server::openapi::document()).unwrap();
    let paths = description["paths"].as_object().unwrap();
    let mut seen = BTreeSet::new();
    for (name, labels) in served(&text) {
        let name = if documented.contains_key(&name) { name.as_str() } else { stem(&name) };
        let known = documented.get(name).unwrap_or_else(|| panic!("{name} is not in deploy/METRICS.md"));
        seen.insert(name.to_owned());
        for (key, value) in labels {
            assert!(known.contains(&key) || key == "le", "{name}: {key} is not in deploy/METRICS.md");
            if key == "route" {
                assert!(value == "other" || paths.contains_key(&value), "{value}");
            }
        }
    }
    for name in ["condyle_assets", "condyle_store_up", "condyle_unchanged_total", "condyle_listeners"] {
        assert!(seen.contains(name), "{name} is not served");
    }
}

/// Rules and panels ask for metrics that are there, and alerts for records that are.
#[test]
fn rules_and_panels_name_what_exists() {
    let documented = documented();
    let records: BTreeSet<&str> =
        RECORDS.lines().filter_map(|line| line.trim().strip_prefix("- record: ")).collect();
    let dashboard: Value = serde_json::from_str(DASHBOARD).unwrap();
    let panels: Vec<&str> = dashboard["panels"]
        .as_array()
        .unwrap()
        .iter()
        .map(|panel| panel["expression"].as_str().unwrap())
        .collect();
    let expressions =
        ALERTS.lines().chain(RECORDS.lines()).filter_map(|line| line.trim().strip_prefix("expr: "));
    let mut used = BTreeSet::new();
    for expression in expressions.chain(panels.iter().copied()) {
        let words = expression.split(|c: char| !(c.is_ascii_alphanumeric() || matches!(c, '_' | ':')));
        for word in words.filter(|word| word.starts_with("condyle")) {
            let known = documented.contains_key(word) || documented.contains_key(stem(word));
            assert!(known || records.contains(word), "{word} in {expression}");
            used.insert(word);
        }
    }
    for record in records {
        let asked = panels.iter().any(|panel| panel.contains(record));
        assert!(asked, "no panel asks for {record}");
    }
    assert!(used.len() >= 8);
}

#[tokio::test]
async fn a_trace_goes_on_and_a_broken_one_begins_anew() {
    let service = Service::start().await;
    let asked = async |header: &str| {
        let get = service.client.get(service.url("/healthz")).header("traceparent", header);
        get.send().await.unwrap().headers()["traceresponse"].to_str().unwrap().to_owned()
    };
    // The example of W3C Trace Context, §3.2.3.
    let answer = asked("00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01").await;
    let fields: Vec<&str> = answer.split('-').collect();
    assert_eq!((fields[0], fields[1], fields[3]), ("00", "4bf92f3577b34da6a3ce929d0e0e4736", "01"));
    assert!(fields[2].len() == 16 && fields[2] != "00f067aa0ba902b7");
    let fresh = asked("00-zz-00f067aa0ba902b7-01").await;
    assert!(!fresh.contains("zz") && fresh.len() == 55, "{fresh}");
}
