//! `/v1/sweeps`.

use condyle_core::intake::{Bundle, Limits, Upload, read};
use condyle_tests::Service;
use reqwest::StatusCode;

const TORN: &str = "gltf\njoint stalk at 0 0.2 0 parent none\njoint lure at 0 0.6 0 tip 0 1 0\n\
                    body tubes radius 0.04 rings 16 sides 12\nmutate row 192 2 stalk 0.75 lure 0.25\n";

/// As a model the answer is the model, with one clip more.
#[tokio::test]
async fn worst_poses_come_back_as_a_clip() {
    let service = Service::start().await;
    let rig = condyle_core::testing::build(TORN).unwrap();
    let ask = async |accept: &str| {
        let request = service.client.post(service.url("/v1/sweeps")).header("accept", accept);
        let request = request.header("content-type", "model/gltf-binary").body(rig.clone());
        let response = request.send().await.unwrap();
        assert_eq!(response.status(), StatusCode::OK, "{accept}");
        let kind = response.headers()["content-type"].to_str().unwrap().to_owned();
        (kind, response.bytes().await.unwrap())
    };
    let (kind, bytes) = ask("model/gltf-binary").await;
    assert_eq!(kind, "model/gltf-binary");
    let model = |bytes: &[u8]| {
        let model = Some(Upload { name: "rig.glb", bytes });
        read(&Bundle { model, ..Bundle::default() }, &Limits::default()).unwrap().rig
    };
    let (before, after) = (model(&rig), model(&bytes));
    assert_eq!(after.clips.len(), before.clips.len() + 1);
    assert_eq!(after.clips.last().unwrap().name.as_deref(), Some("worst poses"));
    // Who takes anything, or likes reports as much, gets the report.
    for accept in ["*/*", "application/json, model/gltf-binary", "model/gltf-binary;q=0.5, text/plain"] {
        let (kind, _) = ask(accept).await;
        assert!(!kind.starts_with("model/"), "{accept}: {kind}");
    }
}
