//! A copy of the data folder, made while others write, is a service of its own.

use condyle_api::{AssetPage, RevisionPage};
use condyle_server::app::backup::backup;
use condyle_tests::{Service, broken_plan, in_a_file, plan};
use reqwest::StatusCode;

fn path(asset: &str, label: &str) -> String {
    format!("/v1/assets/tidepool/{asset}/revisions/{label}")
}

#[tokio::test]
async fn a_copy_made_under_load_starts_with_everything_that_it_names() {
    let service = Service::start_with(in_a_file).await;
    for number in 0..10 {
        let name = format!("eel-{number}");
        service.submit(&path(&name, "v1"), &plan(&name)).await;
    }
    let target = tempfile::tempdir().unwrap();
    let copy = target.path().join("copy");
    let writing = async {
        for number in 0..20 {
            let name = format!("eel-{}", number % 10);
            let body = broken_plan(&name);
            let put = service.client.put(service.url(&path(&name, &format!("w{number}")))).json(&body);
            assert_eq!(put.send().await.unwrap().status(), StatusCode::CREATED);
            let gone = service.client.delete(service.url(&path(&name, &format!("w{number}")))).send();
            assert_eq!(gone.await.unwrap().status(), StatusCode::NO_CONTENT);
        }
    };
    let copying = async { backup(&service.folder, &copy).await.unwrap() };
    let ((), copied) = tokio::join!(writing, copying);
    assert!(copied.blobs >= 10, "{copied:?}");
    let restored = Service::start_in(&copy, in_a_file).await;
    let page: AssetPage = restored.json("/v1/assets").await;
    assert_eq!(page.items.len(), 10);
    let bytes = async |service: &Service, path: &str| {
        let response = service.client.get(service.url(path)).send().await.unwrap();
        assert_eq!(response.status(), StatusCode::OK, "{path}");
        response.bytes().await.unwrap()
    };
    for asset in &page.items {
        let list: RevisionPage =
            restored.json(&format!("/v1/assets/tidepool/{}/revisions", asset.asset)).await;
        for revision in list.items {
            bytes(&restored, &format!("{}/input", path(&asset.asset, &revision.label))).await;
        }
        let report = format!("{}/report", path(&asset.asset, "v1"));
        assert_eq!(bytes(&service, &report).await, bytes(&restored, &report).await);
    }
    restored.submit(&path("crab", "v1"), &plan("crab")).await;
}

#[tokio::test]
async fn a_backup_overwrites_nothing_and_wants_a_store() {
    let service = Service::start_with(in_a_file).await;
    let target = tempfile::tempdir().unwrap();
    std::fs::write(target.path().join("mine"), b"mine").unwrap();
    let error = backup(&service.folder, target.path()).await.unwrap_err();
    assert!(error.to_string().contains("is not empty"), "{error}");
    let empty = tempfile::tempdir().unwrap();
    let error = backup(empty.path(), &target.path().join("new")).await.unwrap_err();
    assert!(error.to_string().contains("no condyle.sqlite"), "{error}");
}
