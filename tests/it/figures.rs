//! `/v1/figures`, the figure of a revision, and the figures in renderings.

use condyle_api::Problem;
use condyle_tests::{Service, broken_plan, glb, plan, triangle};
use reqwest::StatusCode;
use reqwest::multipart::{Form, Part};
use roxmltree::Document;

const SVG: &str = "image/svg+xml";

fn views(svg: &str) -> Vec<String> {
    let document = Document::parse(svg).unwrap();
    let named = document.descendants().filter_map(|node| node.attribute("data-view"));
    named.map(str::to_owned).collect()
}

#[tokio::test]
async fn a_rig_is_drawn_with_its_findings_and_the_same_again_is_the_same() {
    let service = Service::start().await;
    let url = service.url("/v1/figures?as_of=2026-11-25");
    let post = || service.client.post(&url).json(&broken_plan("heron"));
    let response = post().send().await.unwrap();
    assert_eq!(response.status(), StatusCode::OK);
    assert_eq!(response.headers()["content-type"], SVG);
    assert!(response.headers()["content-security-policy"].to_str().unwrap().contains("default-src 'none'"));
    assert!(response.headers().contains_key("server-timing"));
    let svg = response.text().await.unwrap();
    assert_eq!(views(&svg), ["front", "side", "top"]);
    let document = Document::parse(&svg).unwrap();
    let checks: Vec<&str> = document.descendants().filter_map(|node| node.attribute("data-check")).collect();
    assert!(checks.contains(&"structure/unknown-parent"), "{checks:?}");
    assert_eq!(post().header("accept", "image/*").send().await.unwrap().text().await.unwrap(), svg);
}

#[tokio::test]
async fn the_query_is_obeyed_and_what_is_wrong_is_a_problem() {
    let service = Service::start().await;
    let post = |query: &str| service.client.post(service.url(&format!("/v1/figures{query}")));
    let svg =
        post("?views=top,front&findings=none&width=600").json(&broken_plan("heron")).send().await.unwrap();
    let svg = svg.text().await.unwrap();
    assert_eq!(views(&svg), ["front", "top"]);
    assert!(svg.contains("width=\"600\"") && !svg.contains("data-mark"));
    let only =
        post("?only=structure/root&as_of=2026-11-25").json(&broken_plan("heron")).send().await.unwrap();
    assert!(!only.text().await.unwrap().contains("structure/unknown-parent"));
    for query in
        ["?views=back", "?views=", "?findings=grave", "?width=479", "?width=9999", "?width=x", "?view=top"]
    {
        let answer = post(query).json(&plan("heron")).send().await.unwrap();
        assert_eq!(answer.status(), StatusCode::BAD_REQUEST, "{query}");
        assert_eq!(answer.json::<Problem>().await.unwrap().kind, "/problems/invalid-request", "{query}");
    }
    let answer = post("").header("accept", "text/html").json(&plan("heron")).send().await.unwrap();
    assert_eq!(answer.status(), StatusCode::NOT_ACCEPTABLE);
    let answer = post("?profile=nowhere").json(&plan("heron")).send().await.unwrap();
    assert!(answer.status().is_client_error());
    let answer = post("").body("{\"schema\": \"condyle.plan/1\"").send().await.unwrap();
    assert_eq!(answer.status(), StatusCode::BAD_REQUEST);
}

#[tokio::test]
async fn a_plan_is_drawn_over_its_body() {
    let service = Service::start().await;
    let (document, bin) = triangle(None);
    let form = Form::new()
        .text("plan", plan("heron").to_string())
        .part("model", Part::bytes(glb(&document, &bin)).file_name("heron.glb"));
    let answer = service.client.post(service.url("/v1/figures")).multipart(form).send().await.unwrap();
    assert_eq!(answer.status(), StatusCode::OK);
    let svg = answer.text().await.unwrap();
    let document = Document::parse(&svg).unwrap();
    assert!(document.descendants().any(|node| node.attribute("data-part") == Some("body")));
    assert!(document.descendants().any(|node| node.has_attribute("data-joint")));
}

#[tokio::test]
async fn a_revision_has_a_figure_under_a_strong_tag() {
    let service =
        Service::start_with(|config| config.server.public_url = "https://rigs.example/".into()).await;
    let path = "/v1/assets/tidepool/heron/revisions/r1";
    let revision = service.submit(&format!("{path}?as_of=2026-11-25"), &broken_plan("heron")).await;
    let get = |query: &str| service.client.get(service.url(&format!("{path}/figure{query}")));
    let answer = get("").send().await.unwrap();
    assert_eq!(answer.status(), StatusCode::OK);
    assert_eq!(answer.headers()["content-type"], SVG);
    let tag = answer.headers()["etag"].to_str().unwrap().to_owned();
    assert!(tag.starts_with('"'), "strong: {tag}");
    let svg = answer.text().await.unwrap();
    assert!(svg.contains("data-check=\"structure/unknown-parent\""));
    assert_eq!(get("").send().await.unwrap().text().await.unwrap(), svg);
    let known = get("").header("if-none-match", &tag).send().await.unwrap();
    assert_eq!(known.status(), StatusCode::NOT_MODIFIED);
    let top = get("?views=top").header("if-none-match", &tag).send().await.unwrap();
    assert_eq!(top.status(), StatusCode::OK, "another drawing has another tag");
    assert_eq!(views(&top.text().await.unwrap()), ["top"]);
    assert_eq!(get("?views=inside").send().await.unwrap().status(), StatusCode::BAD_REQUEST);
    let other = service.client.get(service.url("/v1/assets/tidepool/heron/revisions/r2/figure"));
    assert_eq!(other.send().await.unwrap().status(), StatusCode::NOT_FOUND);
    // Other bytes under the label: another report, another tag, another drawing.
    let replaced = service
        .client
        .put(service.url(path))
        .header("if-match", "*")
        .json(&plan("heron"))
        .send()
        .await
        .unwrap();
    assert!(replaced.status().is_success());
    let now = get("").header("if-none-match", &tag).send().await.unwrap();
    assert_eq!(now.status(), StatusCode::OK);
    assert_ne!(now.text().await.unwrap(), svg);
    assert_eq!(revision.label, "r1");
}

#[tokio::test]
async fn pages_hold_the_figure_and_markdown_says_where_it_is() {
    let service =
        Service::start_with(|config| config.server.public_url = "https://rigs.example/".into()).await;
    let path = "/v1/assets/tidepool/heron/revisions/r1";
    service.submit(path, &broken_plan("heron")).await;
    let report = |accept: &'static str| {
        service.client.get(service.url(&format!("{path}/report"))).header("accept", accept).send()
    };
    let page = report("text/html").await.unwrap().text().await.unwrap();
    assert!(page.contains("<figure><svg ") && page.contains("<span class=\"place\">(1)</span>"));
    assert!(!page.contains("<script") && page.contains("http-equiv=\"Content-Security-Policy\""));
    let text = report("text/markdown").await.unwrap().text().await.unwrap();
    assert!(
        text.contains("](<https://rigs.example/v1/assets/tidepool/heron/revisions/r1/figure>)"),
        "{text}"
    );
    assert!(!text.contains("<svg") && !text.contains("data:image"));
    let posted = service.client.post(service.url("/v1/checks")).header("accept", "text/html");
    let posted = posted.json(&broken_plan("heron")).send().await.unwrap().text().await.unwrap();
    assert!(posted.contains("<figure><svg "));
    // Nobody is told of an address that the service does not know.
    let quiet = Service::start().await;
    quiet.submit(path, &broken_plan("heron")).await;
    let get = quiet.client.get(quiet.url(&format!("{path}/report"))).header("accept", "text/markdown");
    assert!(!get.send().await.unwrap().text().await.unwrap().contains("!["));
    let shown = quiet.client.get(quiet.url("/assets/tidepool/heron/r1")).send().await.unwrap();
    assert!(shown.text().await.unwrap().contains(&format!("<img src=\"{path}/figure\"")));
}
