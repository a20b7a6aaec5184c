//! Revisions, the lists over them, removal, archives.

use std::collections::BTreeSet;

use condyle_api::{Revision, TrendDay};
use condyle_core::intake::file_digest;
use condyle_core::report::{Counts, Verdict};
use condyle_server::access::Act;
use condyle_server::store::{AssetFilter, Beside, Inserted, Removed, Store, Stored, StoredReference};
use serde_json::json;

use crate::{Pair, cases};

cases![
    a_revision_is_read_as_it_was_stored,
    a_label_is_taken_once_and_replaced_by_number,
    numbers_and_labels_hold_when_many_store_at_once,
    lists_are_in_the_order_of_bytes_and_cursors_meet_each_once,
    filters_choose_the_same,
    what_is_removed_is_gone_with_its_blobs,
    retention_keeps_the_latest_and_the_baseline,
    a_production_goes_out_and_in,
    a_production_comes_in_whole_or_not_at_all,
    dashboards_count_the_latest,
];

pub(crate) const DAY: i64 = 86_400_000;

/// A revision with one error of a check.
pub(crate) fn revision(place: [&str; 3], verdict: Verdict, check: &str, at: i64) -> Stored {
    let [production, asset, label] = place;
    let finding = json!({"check": check, "severity": "error", "waiver": null});
    let report = json!({"findings": [finding], "of": format!("{asset} {label} \u{e9}\u{1f41f}")}).to_string();
    let input = file_digest(format!("{asset} {label}").as_bytes());
    Stored {
        revision: Revision {
            production: production.into(),
            asset: asset.into(),
            label: label.into(),
            number: 0,
            input_sha256: input.clone(),
            input_bytes: 5_000_000_000,
            verdict,
            counts: Counts { error: 1, warning: 2, note: 3, waived: 4 },
            profile: "realtime".into(),
            catalogue: "1.0.0".into(),
            submitted_at: String::new(),
            report_url: String::new(),
        },
        manifest: format!("[{{\"role\":\"plan\",\"name\":\"a\",\"bytes\":1,\"sha256\":\"{input}\"}}]"),
        report_sha256: file_digest(report.as_bytes()),
        report,
        submitted_ms: at,
    }
}

pub(crate) async fn store(store: &Store, new: &Stored) {
    assert_eq!(store.insert(new, None).await.unwrap(), Inserted::New);
}

async fn names(store: &Store, filter: AssetFilter) -> Vec<String> {
    let list = store.assets(&AssetFilter { limit: 100, ..filter }).await.unwrap();
    list.into_iter().map(|asset| format!("{}/{}", asset.production, asset.asset)).collect()
}

async fn a_revision_is_read_as_it_was_stored(Pair { one, other }: Pair) {
    let new = revision(["tidepool", "heron", "v1"], Verdict::Fail, "skin/sum", 1_764_028_800_123);
    store(&one, &new).await;
    let read = other.whole("tidepool", "heron", "v1").await.unwrap().unwrap();
    assert_eq!((&read.report, &read.manifest), (&new.report, &new.manifest));
    assert_eq!((&read.report_sha256, read.submitted_ms), (&new.report_sha256, new.submitted_ms));
    let expected = Revision {
        number: 1,
        // By `date -u -d @1764028800.123`.
        submitted_at: "2025-11-25T00:00:00.123Z".into(),
        report_url: "/v1/assets/tidepool/heron/revisions/v1/report".into(),
        ..new.revision.clone()
    };
    assert_eq!(read.revision, expected);
    assert_eq!(other.revision("tidepool", "heron", "v1").await.unwrap(), Some(expected.clone()));
    assert_eq!(other.asset("tidepool", "heron").await.unwrap().unwrap().latest, expected);
    assert_eq!(other.revision("tidepool", "heron", "V1").await.unwrap(), None, "names keep their case");
    assert_eq!(other.report_body(&new.report_sha256).await.unwrap().as_deref(), Some(new.report.as_str()));
    assert_eq!(other.knows_input(&new.revision.input_sha256).await.unwrap(), ["tidepool"]);
    assert!(other.knows_input("0").await.unwrap().is_empty());
    one.ready(1).await.unwrap();
    other.ready(2).await.unwrap();
}

async fn a_label_is_taken_once_and_replaced_by_number(Pair { one, other }: Pair) {
    let first = revision(["tidepool", "heron", "v1"], Verdict::Pass, "skin/sum", 1);
    store(&one, &first).await;
    assert_eq!(other.insert(&first, None).await.unwrap(), Inserted::Taken);
    let second = revision(["tidepool", "heron", "v1"], Verdict::Fail, "naming/empty", 2);
    assert_eq!(other.insert(&second, Some(7)).await.unwrap(), Inserted::Taken);
    assert_eq!(other.insert(&second, Some(1)).await.unwrap(), Inserted::New);
    assert_eq!(one.insert(&second, Some(1)).await.unwrap(), Inserted::Taken, "it is number 2 now");
    let read = one.revision("tidepool", "heron", "v1").await.unwrap().unwrap();
    assert_eq!((read.number, read.verdict), (2, Verdict::Fail));
    assert_eq!(one.report_body(&first.report_sha256).await.unwrap(), None, "nobody has the first report");
    assert_eq!(one.revisions("tidepool", "heron", None, 10).await.unwrap().len(), 1);
}

async fn numbers_and_labels_hold_when_many_store_at_once(Pair { one, other }: Pair) {
    const MANY: u64 = 24;
    let mut running = tokio::task::JoinSet::new();
    for number in 0..MANY {
        for store in [&one, &other] {
            let store = store.clone();
            running.spawn(async move {
                let new =
                    revision(["tidepool", "heron", &format!("v{number}")], Verdict::Pass, "skin/sum", 1);
                store.insert(&new, None).await.unwrap()
            });
        }
    }
    let all = running.join_all().await;
    assert_eq!(all.iter().filter(|inserted| **inserted == Inserted::New).count() as u64, MANY);
    let list = one.revisions("tidepool", "heron", None, 100).await.unwrap();
    let numbers: Vec<u64> = list.iter().map(|one| one.number).collect();
    assert_eq!(numbers, (1..=MANY).rev().collect::<Vec<_>>(), "none twice, none left out");
    let labels: BTreeSet<&str> = list.iter().map(|one| one.label.as_str()).collect();
    assert_eq!(labels.len() as u64, MANY);
    let events = other.events(0, i64::MAX, None).await.unwrap();
    let ids: Vec<u64> = events.iter().map(|event| event.id).collect();
    assert_eq!(ids, (1..=MANY).collect::<Vec<_>>());
    let told: Vec<Option<u64>> = events.iter().map(|event| event.number).collect();
    assert_eq!(told, (1..=MANY).map(Some).collect::<Vec<_>>(), "events are in the order of commits");
    let below = one.revisions("tidepool", "heron", Some(3), 1).await.unwrap();
    assert_eq!(below.iter().map(|one| one.number).collect::<Vec<_>>(), [2]);
}

/// Languages would order these otherwise: case, punctuation and length.
const ODD: [&str; 8] = ["Zebra", "_x", "a-b", "a.b", "aB", "ab", "a_b", "zeb"];

async fn lists_are_in_the_order_of_bytes_and_cursors_meet_each_once(Pair { one, .. }: Pair) {
    let mut expected = Vec::new();
    for production in ["tidepool", "Tidepool", "tide-pool"] {
        for asset in ODD {
            store(&one, &revision([production, asset, "v1"], Verdict::Pass, "skin/sum", 1)).await;
            store(&one, &revision([production, asset, "v2"], Verdict::Pass, "skin/sum", 1)).await;
            expected.push(format!("{production}/{asset}"));
        }
    }
    expected.sort_by_key(|path| path.split_once('/').map(|(a, b)| (a.to_owned(), b.to_owned())));
    assert_eq!(names(&one, AssetFilter::default()).await, expected);
    let mut after = None;
    let mut met = Vec::new();
    loop {
        let filter = AssetFilter { after: after.clone(), limit: 5, ..AssetFilter::default() };
        let page = one.assets(&filter).await.unwrap();
        let Some(last) = page.last() else { break };
        after = Some((last.production.clone(), last.asset.clone()));
        met.extend(page.into_iter().map(|asset| format!("{}/{}", asset.production, asset.asset)));
    }
    assert_eq!(met, expected);
    let productions: Vec<String> =
        one.productions().await.unwrap().into_iter().map(|one| one.production).collect();
    assert_eq!(productions, ["Tidepool", "tide-pool", "tidepool"]);
    let mut sorted = ODD;
    sorted.sort_unstable();
    assert_eq!(one.assets_with_history("tidepool").await.unwrap(), sorted);
    let leaving: Vec<(String, u64)> =
        one.leaving("tidepool").await.unwrap().into_iter().map(|one| (one.asset, one.number)).collect();
    assert_eq!(
        leaving,
        sorted.iter().flat_map(|name| [((*name).to_owned(), 1), ((*name).to_owned(), 2)]).collect::<Vec<_>>()
    );
}

async fn filters_choose_the_same(Pair { one, .. }: Pair) {
    for (asset, verdict, check, at) in [
        ("Stilt_Heron", Verdict::Fail, "skin/sum", 10),
        ("stilt-heron", Verdict::Warn, "skin/holes", 20),
        ("100%eel", Verdict::Pass, "skinny/none", 30),
        ("back\\slash", Verdict::Pass, "naming/empty", 40),
    ] {
        store(&one, &revision(["tidepool", asset, "v1"], verdict, check, at)).await;
    }
    let text = |text: &str| AssetFilter { text: Some(text.into()), ..AssetFilter::default() };
    assert_eq!(names(&one, text("STILT")).await, ["tidepool/Stilt_Heron", "tidepool/stilt-heron"]);
    assert_eq!(names(&one, text("t_h")).await, ["tidepool/Stilt_Heron"], "_ means itself");
    assert_eq!(names(&one, text("%")).await, ["tidepool/100%eel"], "% means itself");
    assert_eq!(names(&one, text("\\")).await, ["tidepool/back\\slash"], "so does the backslash");
    let check = |check: &str| AssetFilter { check: Some(check.into()), ..AssetFilter::default() };
    assert_eq!(names(&one, check("skin/sum")).await, ["tidepool/Stilt_Heron"]);
    assert_eq!(
        names(&one, check("skin")).await,
        ["tidepool/Stilt_Heron", "tidepool/stilt-heron"],
        "a family"
    );
    assert_eq!(names(&one, check("SKIN")).await, [""; 0]);
    assert_eq!(names(&one, check("s%")).await, [""; 0]);
    let verdict = AssetFilter { verdict: Some("pass".into()), ..AssetFilter::default() };
    assert_eq!(names(&one, verdict).await, ["tidepool/100%eel", "tidepool/back\\slash"]);
    let since = AssetFilter { changed_since_ms: Some(30), ..AssetFilter::default() };
    assert_eq!(names(&one, since).await.len(), 2);
    let elsewhere = AssetFilter { production: Some("low-water".into()), ..AssetFilter::default() };
    assert_eq!(names(&one, elsewhere).await, [""; 0]);
}

async fn what_is_removed_is_gone_with_its_blobs(Pair { one, other }: Pair) {
    let (first, second) = (
        revision(["tidepool", "heron", "v1"], Verdict::Pass, "skin/sum", 1),
        revision(["tidepool", "heron", "v2"], Verdict::Fail, "skin/sum", 2),
    );
    store(&one, &first).await;
    store(&one, &second).await;
    let blob = first.revision.input_sha256.clone();
    assert!(other.blob_in_use(&blob).await.unwrap());
    let path = ("tidepool", "heron", "v1");
    assert_eq!(one.remove_revision(path, Some(2), "request", 3).await.unwrap(), Removed::Changed);
    assert_eq!(
        one.remove_revision(path, Some(1), "request", 3).await.unwrap(),
        Removed::Gone(vec![blob.clone()])
    );
    assert_eq!(other.remove_revision(path, None, "request", 3).await.unwrap(), Removed::Missing);
    assert!(!other.blob_in_use(&blob).await.unwrap());
    assert_eq!(other.remove_asset("tidepool", "heron", Some(1), 4).await.unwrap(), Removed::Changed);
    let last = vec![second.revision.input_sha256.clone()];
    assert_eq!(other.remove_asset("tidepool", "heron", Some(2), 4).await.unwrap(), Removed::Gone(last));
    assert_eq!(one.remove_asset("tidepool", "heron", None, 4).await.unwrap(), Removed::Missing);
    assert_eq!(one.asset("tidepool", "heron").await.unwrap(), None);
    assert_eq!(one.report_body(&second.report_sha256).await.unwrap(), None);
    let kept = StoredReference { file: "body.glb".into(), sha256: blob.clone(), bytes: 7 };
    one.put_reference("body", &kept, None, &Act::default(), 5).await.unwrap();
    assert!(other.blob_in_use(&blob).await.unwrap(), "a reference skeleton holds it");
    assert_eq!(other.references().await.unwrap().into_values().collect::<Vec<_>>(), [kept]);
}

async fn retention_keeps_the_latest_and_the_baseline(Pair { one, .. }: Pair) {
    for number in 1..=6_i64 {
        let label = format!("v{number}");
        store(&one, &revision(["tidepool", "heron", &label], Verdict::Pass, "skin/sum", number)).await;
    }
    let place = ("tidepool", "heron");
    assert_eq!(one.retain(place, Some(9), None, None, 9).await.unwrap(), [""; 0], "all are kept");
    let gone = one.retain(place, Some(2), Some(4), Some("v2"), 9).await.unwrap();
    assert_eq!(gone.len(), 2, "v1 and v3: v2 is the baseline, v4 is young enough");
    let labels = async || -> Vec<String> {
        one.revisions("tidepool", "heron", None, 10).await.unwrap().into_iter().map(|one| one.label).collect()
    };
    assert_eq!(labels().await, ["v6", "v5", "v4", "v2"]);
    one.retain(place, None, Some(i64::MAX), None, 9).await.unwrap();
    assert_eq!(labels().await, ["v6"]);
}

/// What an archive would bring of a production.
async fn brought(store: &Store, spool: &std::path::Path) -> Vec<Stored> {
    let mut all = Vec::new();
    for line in store.leaving("tidepool").await.unwrap() {
        let whole = store.whole("tidepool", &line.asset, &line.label).await.unwrap().unwrap();
        assert_eq!(line.report_bytes, whole.report.len() as u64, "bytes, not characters");
        std::fs::write(spool.join(&line.report_sha256), &whole.report).unwrap();
        all.push(Stored { report: String::new(), ..whole });
    }
    all
}

async fn a_production_goes_out_and_in(Pair { one, other }: Pair) {
    for (asset, label) in [("heron", "v1"), ("heron", "v2"), ("eel", "v1")] {
        store(&one, &revision(["tidepool", asset, label], Verdict::Fail, "skin/sum", 1)).await;
    }
    let spool = tempfile::tempdir().unwrap();
    let all = brought(&one, spool.path()).await;
    let day =
        TrendDay { day: "2026-11-01".into(), pass: 1, warn: 2, fail: 3, stored: 4, better: 5, worse: 6 };
    let into = async |policy| {
        let beside = Beside { policy, waivers: None, days: std::slice::from_ref(&day) };
        other
            .import("low-water", all.clone(), spool.path(), beside, &Act::default(), 2 * DAY)
            .await
            .unwrap()
            .unwrap()
    };
    let first = into(Some("{}")).await;
    assert_eq!((first.assets, first.stored, first.unchanged, first.policy), (2, 3, 0, true));
    let again = into(Some("{\"other\":1}")).await;
    assert_eq!((again.assets, again.stored, again.unchanged, again.policy), (0, 0, 3, false));
    assert_eq!(one.policy("low-water").await.unwrap().as_deref(), Some("{}"));
    let (there, here) = (one.leaving("low-water").await.unwrap(), one.leaving("tidepool").await.unwrap());
    let told = |list: &[condyle_server::store::Leaving]| -> Vec<_> {
        list.iter().map(|l| (l.asset.clone(), l.label.clone(), l.number, l.report_sha256.clone())).collect()
    };
    assert_eq!(told(&there), told(&here));
    let days = one.days(Some("low-water"), "").await.unwrap();
    assert!(days.contains(&("low-water".to_owned(), day.clone())), "{days:?}");
}

async fn a_production_comes_in_whole_or_not_at_all(Pair { one, other }: Pair) {
    for (asset, label) in [("eel", "v1"), ("heron", "v1")] {
        store(&one, &revision(["tidepool", asset, label], Verdict::Fail, "skin/sum", 1)).await;
    }
    let spool = tempfile::tempdir().unwrap();
    let all = brought(&one, spool.path()).await;
    store(&one, &revision(["low-water", "heron", "v1"], Verdict::Pass, "naming/empty", 1)).await;
    let beside = Beside { policy: Some("{}"), waivers: None, days: &[] };
    let refused =
        other.import("low-water", all, spool.path(), beside, &Act::default(), 2).await.unwrap().unwrap_err();
    assert_eq!((refused.asset.as_str(), refused.label.as_str()), ("heron", "v1"));
    assert_eq!(one.leaving("low-water").await.unwrap().len(), 1, "nothing came in");
    assert_eq!(one.policy("low-water").await.unwrap(), None);
}

async fn dashboards_count_the_latest(Pair { one, other }: Pair) {
    for (asset, label, verdict, check, at) in [
        ("heron", "v1", Verdict::Pass, "skin/sum", 0),
        ("heron", "v2", Verdict::Fail, "naming/empty", DAY),
        ("eel", "v1", Verdict::Warn, "naming/empty", DAY),
        ("eel", "v2", Verdict::Pass, "scale/metres", 3 * DAY),
    ] {
        store(&one, &revision(["tidepool", asset, label], verdict, check, at)).await;
    }
    let checks = other.check_counts(None).await.unwrap();
    let told: Vec<_> = checks.iter().map(|one| (one.check.as_str(), one.assets, one.error)).collect();
    assert_eq!(told, [("naming/empty", 1, 1), ("scale/metres", 1, 1)]);
    let span = other.span(Some("tidepool")).await.unwrap();
    assert_eq!((span.revisions, span.oldest_ms, span.newest_ms), (4, Some(0), Some(3 * DAY)));
    let nothing = other.span(Some("low-water")).await.unwrap();
    assert_eq!((nothing.revisions, nothing.oldest_ms, nothing.newest_ms), (0, None, None));
    let days = other.days(None, "1970-01-03").await.unwrap();
    let told: Vec<_> = days
        .iter()
        .map(|(_, d)| (d.day.as_str(), d.pass, d.warn, d.fail, d.stored, d.better, d.worse))
        .collect();
    assert_eq!(
        told,
        [("1970-01-02", 0, 1, 1, 2, 0, 1), ("1970-01-04", 1, 0, 1, 1, 1, 0)],
        "from the day before on, which says how things stood"
    );
    let shows = other.productions().await.unwrap();
    assert_eq!((shows[0].assets, shows[0].pass, shows[0].warn, shows[0].fail), (2, 1, 0, 1));
}
