//! Every form of input.

use condyle_api::Problem;
use condyle_core::report::Report;
use condyle_tests::{Service, glb, plan, triangle};
use reqwest::StatusCode;
use reqwest::multipart::{Form, Part};

#[tokio::test]
async fn a_glb_is_read_under_any_binary_type_and_tells_what_it_holds() {
    let service = Service::start().await;
    let (document, bin) = triangle(None);
    let bytes = glb(&document, &bin);
    for kind in ["model/gltf-binary", "application/octet-stream", "application/x-www-form-urlencoded"] {
        let request = service.client.post(service.url("/v1/checks")).header("content-type", kind);
        let report: Report = request.body(bytes.clone()).send().await.unwrap().json().await.unwrap();
        let input = &report.input;
        assert_eq!(
            (input.kind.as_str(), input.joints, input.vertices, input.skins),
            ("gltf", 1, 3, 1),
            "{kind}"
        );
    }
}

#[tokio::test]
async fn a_gltf_finds_its_buffer_among_the_parts_and_nowhere_else() {
    let service = Service::start().await;
    let (document, bin) = triangle(Some("textures/tri.bin"));
    let form = |name: &str| {
        let form = Form::new()
            .part("model", Part::text(document.to_string()).file_name("tri.gltf"))
            .part("file", Part::bytes(bin.clone()).file_name(name.to_owned()));
        service.client.post(service.url("/v1/checks")).multipart(form).send()
    };
    let report: Report = form("textures/tri.bin").await.unwrap().json().await.unwrap();
    assert_eq!(report.input.vertices, 3);
    let names: Vec<&str> = report.input.files.iter().map(|file| file.name.as_str()).collect();
    assert_eq!(names, ["textures/tri.bin", "tri.gltf"]);
    // What is missing is no failure: what can be checked is checked, and the report says what was not seen.
    let missing = form("tri.bin").await.unwrap();
    assert_eq!(missing.status(), StatusCode::OK);
    assert_unseen(&missing.json().await.unwrap(), "textures/tri.bin");
    let secret = document.to_string().replace("textures/tri.bin", "file:///etc/hostname");
    let response = service.client.post(service.url("/v1/checks")).body(secret).send().await.unwrap();
    assert_eq!(response.status(), StatusCode::OK);
    assert_unseen(&response.json().await.unwrap(), "file:///etc/hostname");
}

fn assert_unseen(report: &Report, file: &str) {
    let reason = format!("the file {file} was not uploaded");
    assert!(report.not_run.iter().any(|entry| entry.reason.contains(&reason)), "{:?}", report.not_run);
    assert_eq!(report.input.vertices, 0);
}

#[tokio::test]
async fn a_gltf_carries_its_buffer_in_a_data_uri() {
    let service = Service::start().await;
    let (document, bin) = triangle(Some("BUFFER"));
    let data: String = bin.iter().map(|byte| format!("%{byte:02X}")).collect();
    let text = document.to_string().replace("BUFFER", &format!("data:application/octet-stream,{data}"));
    let request = service.client.post(service.url("/v1/checks")).header("content-type", "model/gltf+json");
    let response = request.body(text).send().await.unwrap();
    assert_eq!(response.status(), StatusCode::OK);
    assert_eq!(response.json::<Report>().await.unwrap().input.vertices, 3);
}

#[tokio::test]
async fn a_plan_with_its_body_is_one_input() {
    let service = Service::start().await;
    let (document, bin) = triangle(None);
    let form = Form::new()
        .part("plan", Part::text(plan("heron").to_string()).file_name("heron.plan.json"))
        .part("model", Part::bytes(glb(&document, &bin)).file_name("heron.glb"));
    let response = service.client.post(service.url("/v1/checks")).multipart(form).send().await.unwrap();
    let report: Report = response.json().await.unwrap();
    assert_eq!((report.input.kind.as_str(), report.input.joints, report.input.vertices), ("plan+gltf", 4, 3));
}

#[tokio::test]
async fn several_files_are_stored_and_come_back_one_by_one() {
    let service = Service::start().await;
    let (document, bin) = triangle(Some("tri.bin"));
    let form = Form::new()
        .part("model", Part::text(document.to_string()).file_name("tri.gltf"))
        .part("file", Part::bytes(bin.clone()).file_name("tri.bin"));
    let url = service.url("/v1/assets/tidepool/tri/revisions/v1");
    let stored = service.client.put(&url).multipart(form).send().await.unwrap();
    assert_eq!(stored.status(), StatusCode::CREATED);
    let list: serde_json::Value =
        service.client.get(format!("{url}/input")).send().await.unwrap().json().await.unwrap();
    assert_eq!((&list[0]["role"], &list[1]["name"]), (&"model".into(), &"tri.bin".into()));
    let one = service.client.get(format!("{url}/input?file=tri.bin")).send().await.unwrap();
    assert_eq!(one.headers()["content-disposition"], "attachment");
    let tag = one.headers()["etag"].clone();
    assert_eq!(one.bytes().await.unwrap(), bin);
    let again = service
        .client
        .get(format!("{url}/input?file=tri.bin"))
        .header("if-none-match", tag)
        .send()
        .await
        .unwrap();
    assert_eq!(again.status(), StatusCode::NOT_MODIFIED);
    let none = service.client.get(format!("{url}/input?file=other")).send().await.unwrap();
    assert_eq!(none.status(), StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn the_request_beats_the_file_and_the_file_beats_the_default() {
    let service = Service::start().await;
    let mut document = plan("heron");
    let post = |query: &str, body: &serde_json::Value| {
        service.client.post(service.url(&format!("/v1/checks{query}"))).json(body).send()
    };
    let name = |report: Report| report.profile.name;
    assert_eq!(name(post("", &document).await.unwrap().json().await.unwrap()), "realtime");
    document["profile"] = "film".into();
    assert_eq!(name(post("", &document).await.unwrap().json().await.unwrap()), "film");
    assert_eq!(name(post("?profile=strict", &document).await.unwrap().json().await.unwrap()), "strict");
    document["profile"] = "flim".into();
    let problem: Problem = post("", &document).await.unwrap().json().await.unwrap();
    assert_eq!(
        (problem.kind.as_str(), problem.pointer.as_deref()),
        ("/problems/unknown-profile", Some("/profile"))
    );
    assert_eq!(problem.suggestion.as_deref(), Some("film"));
    let (mut document, bin) = triangle(None);
    document["extras"] = serde_json::json!({"condyle": {"profile": "film"}});
    let response =
        service.client.post(service.url("/v1/checks")).body(glb(&document, &bin)).send().await.unwrap();
    assert_eq!(name(response.json().await.unwrap()), "film");
    let form = Form::new().text("plan", plan("a").to_string()).text("profile", "x");
    let both =
        service.client.post(service.url("/v1/checks?profile=film")).multipart(form).send().await.unwrap();
    assert_eq!(both.json::<Problem>().await.unwrap().kind, "/problems/invalid-request");
}

#[tokio::test]
async fn selections_are_obeyed_and_told() {
    let service = Service::start().await;
    let url = service.url("/v1/checks?only=structure,skin/sum&skip=structure/root&as_of=2026-11-25");
    let report: Report =
        service.client.post(url).json(&plan("a")).send().await.unwrap().json().await.unwrap();
    assert_eq!(report.selection.only, ["structure", "skin/sum"]);
    assert_eq!(report.as_of.to_string(), "2026-11-25");
    assert!(report.not_run.iter().any(|n| n.check == "structure/root" && n.reason.contains("request")));
}

/// `openapi/examples`: what is there must work as it is.
#[tokio::test]
async fn the_examples_are_answered() {
    let service = Service::start().await;
    let folder = std::path::Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/../openapi/examples"));
    let read = |name: &str| std::fs::read_to_string(folder.join(name)).unwrap();
    let mut plans = 0;
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        if name.ends_with(".plan.json") {
            let answer =
                service.client.post(service.url("/v1/checks")).body(read(&name)).send().await.unwrap();
            assert_eq!(answer.status(), StatusCode::OK, "{name}");
            let drawn =
                service.client.post(service.url("/v1/figures")).body(read(&name)).send().await.unwrap();
            assert_eq!(
                (drawn.status(), &drawn.headers()["content-type"]),
                (StatusCode::OK, &"image/svg+xml".parse().unwrap())
            );
            assert!(drawn.text().await.unwrap().starts_with("<svg "), "{name}");
            plans += 1;
        }
    }
    assert!(plans > 0);
    let form = || Form::new().text("plan", read("stilt-heron.plan.json"));
    let check =
        |form: Form| service.client.post(service.url("/v1/checks?as_of=2026-11-25")).multipart(form).send();
    let report: Report = check(form()).await.unwrap().json().await.unwrap();
    assert_eq!(report.counts.error, 1);
    let waived = form().text("waivers", read("stilt-heron.waivers.json"));
    let report: Report = check(waived).await.unwrap().json().await.unwrap();
    assert_eq!((report.counts.error, report.counts.waived), (0, 1));
    let own = form().text("profile", read("tidepool.profile.toml"));
    let report: Report = check(own).await.unwrap().json().await.unwrap();
    assert_eq!((report.counts.error, report.counts.note), (0, 1));
    assert_eq!(report.profile.name, "tidepool-layout");
}
