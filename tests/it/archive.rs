//! `/v1/productions/{production}/archive`.

use std::io::Read as _;

use condyle_api::{AssetPage, ImportSummary, Policy, Problem, Revision, Summary};
use condyle_core::intake::file_digest;
use condyle_tests::{Service, broken_plan, glb, plan, triangle};
use reqwest::StatusCode;
use reqwest::multipart::{Form, Part};
use serde_json::{Value, json};
use tar::{Archive, Builder, EntryType, Header};

const ARCHIVE: &str = "/v1/productions/tidepool/archive";

fn path(production: &str, asset: &str, label: &str) -> String {
    format!("/v1/assets/{production}/{asset}/revisions/{label}")
}

/// A production with two assets, a shared input, an input of several files, and a policy.
async fn filled() -> Service {
    let service = Service::start().await;
    service.submit(&path("tidepool", "heron", "v1"), &plan("heron")).await;
    service.submit(&path("tidepool", "heron", "v2"), &broken_plan("heron")).await;
    service.submit(&path("tidepool", "heron", "v3"), &plan("heron")).await;
    let (document, bin) = triangle(Some("tri.bin"));
    let form = Form::new()
        .part("model", Part::text(document.to_string()).file_name("tri.gltf"))
        .part("file", Part::bytes(bin).file_name("tri.bin"));
    let put = service.client.put(service.url(&path("tidepool", "tri", "v1"))).multipart(form);
    assert_eq!(put.send().await.unwrap().status(), StatusCode::CREATED);
    let (document, bin) = triangle(None);
    let put = service.client.put(service.url(&path("tidepool", "tri", "v2"))).body(glb(&document, &bin));
    assert_eq!(put.send().await.unwrap().status(), StatusCode::CREATED);
    let policy = service.client.put(service.url("/v1/productions/tidepool/policy"));
    policy.json(&json!({"baseline": "v1"})).send().await.unwrap();
    service
}

async fn exported(service: &Service) -> Vec<u8> {
    let response = service.client.get(service.url(ARCHIVE)).send().await.unwrap();
    assert_eq!(response.status(), StatusCode::OK);
    assert_eq!(response.headers()["content-type"], "application/x-tar");
    response.bytes().await.unwrap().to_vec()
}

async fn import(service: &Service, production: &str, archive: Vec<u8>) -> reqwest::Response {
    let url = service.url(&format!("/v1/productions/{production}/archive"));
    service.client.post(url).header("content-type", "application/x-tar").body(archive).send().await.unwrap()
}

/// Names and bytes of an archive's entries, read by the same crate's reader; its form is POSIX tar's.
fn entries(archive: &[u8]) -> Vec<(String, Vec<u8>)> {
    let mut archive = Archive::new(archive);
    let list = archive.entries().unwrap();
    list.map(|entry| {
        let mut entry = entry.unwrap();
        let name = entry.path().unwrap().to_string_lossy().into_owned();
        let mut bytes = Vec::new();
        entry.read_to_end(&mut bytes).unwrap();
        (name, bytes)
    })
    .collect()
}

fn packed(entries: &[(String, Vec<u8>)]) -> Vec<u8> {
    let mut tar = Builder::new(Vec::new());
    for (name, bytes) in entries {
        let mut header = Header::new_gnu();
        header.set_size(bytes.len() as u64);
        header.set_mode(0o644);
        header.set_entry_type(EntryType::Regular);
        // Not by the builder's own way, which refuses hostile names.
        header.as_gnu_mut().unwrap().name[..name.len()].copy_from_slice(name.as_bytes());
        header.set_cksum();
        tar.append(&header, bytes.as_slice()).unwrap();
    }
    tar.into_inner().unwrap()
}

#[tokio::test]
async fn a_production_goes_out_and_comes_in_byte_for_byte() {
    let from = filled().await;
    let archive = exported(&from).await;
    let list = entries(&archive);
    assert_eq!(list[0].0, "manifest.ndjson");
    let head: Value = serde_json::from_slice(list[0].1.split(|byte| *byte == b'\n').next().unwrap()).unwrap();
    assert_eq!((&head["archive"], &head["revisions"]), (&json!("condyle.archive/1"), &json!(5)));
    let blobs = list.iter().filter(|(name, _)| name.starts_with("blobs/")).count();
    assert_eq!(blobs, 5, "two plans, a glTF with its buffer, a GLB: each once");
    let to = Service::start().await;
    let done = import(&to, "tidepool", archive.clone()).await;
    assert_eq!(done.status(), StatusCode::OK);
    let done: ImportSummary = done.json().await.unwrap();
    assert_eq!(done, ImportSummary { assets: 2, stored: 5, unchanged: 0, policy: true });
    let bytes = async |service: &Service, path: &str| {
        let response = service.client.get(service.url(path)).send().await.unwrap();
        assert_eq!(response.status(), StatusCode::OK, "{path}");
        let tag = response.headers().get("etag").cloned();
        (tag, response.bytes().await.unwrap())
    };
    for (asset, label) in [("heron", "v1"), ("heron", "v2"), ("heron", "v3"), ("tri", "v1"), ("tri", "v2")] {
        let revision = path("tidepool", asset, label);
        for below in ["", "/report", "/input"] {
            let path = format!("{revision}{below}");
            assert_eq!(bytes(&from, &path).await, bytes(&to, &path).await, "{path}");
        }
    }
    let file = format!("{}/input?file=tri.bin", path("tidepool", "tri", "v1"));
    assert_eq!(bytes(&from, &file).await, bytes(&to, &file).await);
    assert_eq!(to.json::<Policy>("/v1/productions/tidepool/policy").await.baseline.as_deref(), Some("v1"));
    let page: AssetPage = to.json("/v1/assets?verdict=pass").await;
    assert_eq!(page.items[0].latest.label, "v3");
    let summary: Summary = to.json("/v1/summary?days=1").await;
    assert_eq!(summary.verdicts.pass + summary.verdicts.warn + summary.verdicts.fail, 2);
    // Again changes nothing; under another name it is another production.
    let again: ImportSummary = import(&to, "tidepool", archive.clone()).await.json().await.unwrap();
    assert_eq!(again, ImportSummary { assets: 0, stored: 0, unchanged: 5, policy: false });
    let other: ImportSummary = import(&to, "shallows", archive).await.json().await.unwrap();
    assert_eq!((other.stored, other.policy), (5, true));
}

#[tokio::test]
async fn what_contradicts_itself_is_refused_whole() {
    let from = filled().await;
    let good = entries(&exported(&from).await);
    let to = Service::start().await;
    let report = good.iter().position(|(name, _)| name.starts_with("reports/")).unwrap();
    let blob = good.iter().position(|(name, _)| name.starts_with("blobs/")).unwrap();
    let changed = |change: &dyn Fn(&mut Vec<(String, Vec<u8>)>)| {
        let mut list = good.clone();
        change(&mut list);
        packed(&list)
    };
    let edited = |from: &str, to: &str| {
        changed(&|list| {
            let text = String::from_utf8(list[0].1.clone()).unwrap();
            assert!(text.contains(from), "{from}");
            list[0].1 = text.replacen(from, to, 1).into_bytes();
        })
    };
    let whole = packed(&good);
    let cases: Vec<(&str, Vec<u8>, &str)> = vec![
        ("a lost report", changed(&|list| drop(list.remove(report))), "is missing"),
        ("a lost blob", changed(&|list| drop(list.remove(blob))), "is missing"),
        ("a changed byte", changed(&|list| list[blob].1[0] ^= 1), "do not have its digest"),
        ("a longer blob", changed(&|list| list[blob].1.push(b' ')), "the manifest says"),
        ("a stranger", changed(&|list| list.push(("blobs/../../x".into(), vec![1]))), "does not know it"),
        ("an absolute path", changed(&|list| list.push(("/etc/passwd".into(), vec![1]))), "does not know it"),
        ("twice", changed(&|list| list.push(list[blob].clone())), "comes twice"),
        ("another order", changed(&|list| list.swap(0, 1)), "the first entry is not manifest.ndjson"),
        ("cut off", whole[..whole.len() / 2].to_vec(), "breaks off"),
        ("nothing", Vec::new(), "the archive is empty"),
        ("no archive", vec![b'x'; 2_000], "cannot be read"),
        ("a hostile name", edited("\"asset\":\"heron\"", "\"asset\":\"../heron\""), "the asset is no name"),
        ("a label twice", edited("\"label\":\"v2\"", "\"label\":\"v1\""), "comes twice"),
        ("too few lines", edited("\"revisions\":5", "\"revisions\":4"), "and has more"),
        ("too many lines", edited("\"revisions\":5", "\"revisions\":6"), "and has 5"),
        ("another form", edited("condyle.archive/1", "condyle.archive/9"), "not condyle.archive/1"),
        ("unknown members", edited("\"label\":\"v2\"", "\"label\":\"v2\",\"x\":1"), "unknown field"),
        ("number zero", edited("\"number\":2", "\"number\":0"), "the number is at least 1"),
    ];
    for (what, archive, told) in cases {
        let response = import(&to, "tidepool", archive).await;
        assert_eq!(response.status(), StatusCode::UNPROCESSABLE_ENTITY, "{what}");
        let problem: Problem = response.json().await.unwrap();
        assert_eq!(problem.kind, "/problems/invalid-archive", "{what}");
        assert!(problem.detail.contains(told), "{what}: {}", problem.detail);
        let page: AssetPage = to.json("/v1/assets").await;
        assert!(page.items.is_empty(), "{what}: nothing is half imported");
    }
    let mut link = Header::new_gnu();
    link.set_entry_type(EntryType::Symlink);
    link.set_size(0);
    link.set_path("blobs/link").unwrap();
    link.set_link_name("/etc/passwd").unwrap();
    link.set_cksum();
    let mut tar = Builder::new(Vec::new());
    let mut first = Header::new_gnu();
    first.set_size(good[0].1.len() as u64);
    first.set_mode(0o644);
    tar.append_data(&mut first, "manifest.ndjson", good[0].1.as_slice()).unwrap();
    tar.append(&link, std::io::empty()).unwrap();
    let response = import(&to, "tidepool", tar.into_inner().unwrap()).await;
    assert!(response.json::<Problem>().await.unwrap().detail.contains("no regular file"));
    assert_eq!(std::fs::read_dir(to.folder.join("imports")).unwrap().count(), 0, "the spool is empty");
    assert_eq!(import(&to, "tidepool", whole).await.status(), StatusCode::OK);
}

#[tokio::test]
async fn another_revision_under_the_label_is_a_conflict_and_limits_hold() {
    let archive = exported(&filled().await).await;
    let to = Service::start().await;
    to.submit(&path("tidepool", "tri", "v2"), &plan("tri")).await;
    let conflict = import(&to, "tidepool", archive.clone()).await;
    assert_eq!(conflict.status(), StatusCode::CONFLICT);
    let problem: Problem = conflict.json().await.unwrap();
    assert!(
        problem.detail.contains("tri v") && problem.detail.contains("nothing was imported"),
        "{problem:?}"
    );
    let page: AssetPage = to.json("/v1/assets").await;
    assert_eq!(page.items.len(), 1);
    let small = Service::start_with(|config| config.archive.bytes = 1_000).await;
    let large = import(&small, "tidepool", archive.clone()).await;
    assert_eq!(large.json::<Problem>().await.unwrap().limit.as_deref(), Some("archive.bytes"));
    let few = Service::start_with(|config| config.archive.revisions = 4).await;
    let many: Problem = import(&few, "tidepool", archive).await.json().await.unwrap();
    assert_eq!((many.limit.as_deref(), many.max, many.got), (Some("archive.revisions"), Some(4), Some(5)));
    let missing = few.client.get(few.url(ARCHIVE)).send().await.unwrap();
    assert_eq!(missing.status(), StatusCode::NOT_FOUND);
}

/// A report is somebody else's text: its numbers may be anything, and a revision's are its line's.
#[tokio::test]
async fn the_bytes_of_a_revision_are_those_of_its_files() {
    let from = filled().await;
    let mut list = entries(&exported(&from).await);
    let (at, mut report) = list
        .iter()
        .enumerate()
        .filter(|(_, (name, _))| name.starts_with("reports/"))
        .map(|(at, (_, bytes))| (at, serde_json::from_slice::<Value>(bytes).unwrap()))
        .find(|(_, report)| report["input"]["files"].as_array().unwrap().len() == 2)
        .unwrap();
    for file in report["input"]["files"].as_array_mut().unwrap() {
        file["bytes"] = json!(u64::MAX);
    }
    let text = report.to_string().into_bytes();
    let (old, new) = (list[at].0.replace("reports/", ""), file_digest(&text));
    let manifest: String = String::from_utf8(list[0].1.clone())
        .unwrap()
        .lines()
        .map(|line| {
            let mut line: Value = serde_json::from_str(line).unwrap();
            if line["report_sha256"] == json!(old) {
                line["report_sha256"] = json!(new);
                line["report_bytes"] = json!(text.len());
            }
            format!("{line}\n")
        })
        .collect();
    list[0].1 = manifest.into_bytes();
    list[at] = (format!("reports/{new}"), text);
    let to = Service::start().await;
    let response = import(&to, "tidepool", packed(&list)).await;
    assert_eq!(response.status(), StatusCode::OK);
    let revision = path("tidepool", "tri", "v1");
    let (there, here): (Revision, Revision) = (from.json(&revision).await, to.json(&revision).await);
    assert_eq!(here.input_bytes, there.input_bytes);
}
