//! `/v1/checks`.

use condyle_core::report::{Report, Verdict};
use condyle_tests::{Service, broken_plan, plan};
use reqwest::StatusCode;
use reqwest::multipart::{Form, Part};

#[tokio::test]
async fn a_sound_plan_passes_and_a_broken_one_is_a_200_that_says_what_is_wrong() {
    let service = Service::start().await;
    let url = service.url("/v1/checks?as_of=2026-11-25");
    let report: Report =
        service.client.post(&url).json(&plan("heron")).send().await.unwrap().json().await.unwrap();
    assert_eq!(report.verdict, Verdict::Pass, "{report:#?}");
    let response = service.client.post(&url).json(&broken_plan("heron")).send().await.unwrap();
    assert_eq!(response.status(), StatusCode::OK);
    assert!(response.headers()["server-timing"].to_str().unwrap().contains("checks;dur="));
    let report: Report = response.json().await.unwrap();
    assert_eq!(report.verdict, Verdict::Fail);
    let finding = &report.findings[0];
    assert_eq!(
        (finding.check.as_str(), finding.subject.name.as_str()),
        ("structure/unknown-parent", "chest")
    );
    assert_eq!(finding.subject.pointer, "/joints/1");
    assert!(!report.gate.passed);
}

#[tokio::test]
async fn the_same_bytes_give_the_same_report_byte_for_byte() {
    let service = Service::start().await;
    let url = service.url("/v1/checks?as_of=2026-11-25");
    let mut texts = Vec::new();
    for _ in 0..3 {
        let response = service.client.post(&url).json(&broken_plan("heron")).send().await.unwrap();
        texts.push(response.text().await.unwrap());
    }
    assert!(texts.iter().all(|text| *text == texts[0]));
}

#[tokio::test]
async fn text_is_made_for_those_who_ask() {
    let service = Service::start().await;
    let request = service.client.post(service.url("/v1/checks")).json(&broken_plan("heron"));
    let response = request.header("accept", "text/plain").send().await.unwrap();
    assert!(response.headers()["content-type"].to_str().unwrap().starts_with("text/plain"));
    let text = response.text().await.unwrap();
    assert!(text.starts_with("FAIL") && text.contains("structure/unknown-parent"), "{text}");
}

#[tokio::test]
async fn the_gate_follows_fail_on_and_the_verdict_does_not() {
    let service = Service::start().await;
    let url = service.url("/v1/checks?fail_on=never");
    let report: Report =
        service.client.post(&url).json(&broken_plan("heron")).send().await.unwrap().json().await.unwrap();
    assert!(report.gate.passed && report.verdict == Verdict::Fail);
}

#[tokio::test]
async fn parts_of_a_multipart_body_are_one_input() {
    let service = Service::start().await;
    let waivers =
        r#"[{"check":"structure/*","subject":"chest","reason":"to be fixed tomorrow","until":"2026-11-25"}]"#;
    let form = |as_of: &str| {
        let form = Form::new()
            .part("plan", Part::text(broken_plan("heron").to_string()).file_name("heron.plan.json"))
            .text("waivers", waivers);
        service.client.post(service.url(&format!("/v1/checks?as_of={as_of}"))).multipart(form)
    };
    let report: Report = form("2026-11-25").send().await.unwrap().json().await.unwrap();
    assert_eq!((report.counts.waived, report.verdict), (1, Verdict::Pass));
    assert_eq!(report.input.files[0].name, "heron.plan.json");
    let report: Report = form("2026-11-26").send().await.unwrap().json().await.unwrap();
    assert_eq!((report.counts.waived, report.verdict), (0, Verdict::Fail), "the waiver has expired");
}

#[tokio::test]
async fn a_profile_in_the_request_moves_the_bands() {
    let service = Service::start().await;
    let profile = "profile = \"condyle.profile/1\"\nname = \"lenient\"\nabout = \"\"\nextends = \"realtime\"\n\
                   [checks.\"structure/unknown-parent\"]\nreason = \"early days\"\nbands.unknown.severity = \"note\"\n";
    let form =
        Form::new().part("plan", Part::text(broken_plan("heron").to_string())).text("profile", profile);
    let report: Report = service
        .client
        .post(service.url("/v1/checks"))
        .multipart(form)
        .send()
        .await
        .unwrap()
        .json()
        .await
        .unwrap();
    assert_eq!(
        (report.profile.name.as_str(), report.verdict, report.counts.note),
        ("lenient", Verdict::Pass, 1)
    );
}

/// A seam whose copies differ by a quarter opens; nobody hears of it who does not ask for poses.
#[tokio::test]
async fn the_pose_sweep_runs_where_it_is_asked_for() {
    let service = Service::start().await;
    let rig = condyle_core::testing::build(
        "gltf\njoint stalk at 0 0.2 0 parent none\njoint lure at 0 0.6 0 tip 0 1 0\n\
         body tubes radius 0.04 rings 16 sides 12\nmutate row 192 2 stalk 0.75 lure 0.25\n",
    )
    .unwrap();
    let ask = async |path: &str| -> Report {
        let request = service.client.post(service.url(path)).header("content-type", "model/gltf-binary");
        let response = request.body(rig.clone()).send().await.unwrap();
        assert_eq!(response.status(), StatusCode::OK, "{path}");
        response.json().await.unwrap()
    };
    let torn = |report: &Report| report.findings.iter().any(|finding| finding.check == "sweep/tear");
    let plain = ask("/v1/checks").await;
    assert!(!torn(&plain) && plain.not_run.iter().any(|n| n.reason == "the pose sweep was not asked for"));
    assert!(torn(&ask("/v1/checks?sweep=true").await));
    let swept = ask("/v1/sweeps").await;
    assert!(torn(&swept));
    assert!(swept.findings.iter().all(|finding| finding.check.starts_with("sweep/")));
}
