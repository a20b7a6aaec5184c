//! Campaigns.

use condyle_api::{JobState, Priority, RecheckState};
use condyle_core::report::Verdict;
use condyle_server::queue::Queue;
use condyle_server::queue::campaign::{Candidate, Chosen, Compared, NewCampaign};
use condyle_server::queue::lease::{Finished, Made};
use condyle_server::store::Store;

use crate::jobs::{claim, job};
use crate::revisions::{revision, store};
use crate::{Pair, cases};

cases![
    a_campaign_takes_the_latest_revisions_that_are_chosen,
    results_come_with_their_jobs_and_in_the_order_of_bytes,
    a_campaign_waits_goes_on_and_ends,
    a_job_that_fails_beside_a_pause_waits_too,
    campaigns_are_listed_the_newest_first,
    old_campaigns_are_forgotten_with_their_jobs,
];

async fn begin(queue: &Queue, id: &str, chosen: &Chosen, now: i64) -> Option<u64> {
    let new = NewCampaign { id, request: "{\"q\":\"\u{e9}\"}", catalogue: "1.0.0", chosen, most: 5 };
    let job = |c: &Candidate| (format!("{id}:{}/{}", c.production, c.asset), format!("{c:?}"));
    queue.begin(new, job, now).await.unwrap()
}

/// `Zebra`, `eel` and `heron`, the last with two revisions.
async fn three(one: &Store) {
    for (asset, label, verdict, check) in [
        ("heron", "v1", Verdict::Pass, "naming/empty"),
        ("heron", "v2", Verdict::Fail, "skin/sum"),
        ("Zebra", "v1", Verdict::Fail, "skinny/sum"),
        ("eel", "v1", Verdict::Pass, "skin/holes"),
    ] {
        store(one, &revision(["tidepool", asset, label], verdict, check, 1)).await;
    }
}

fn chosen(check: &str) -> Chosen {
    Chosen { check: check.into(), ..Chosen::default() }
}

async fn a_campaign_takes_the_latest_revisions_that_are_chosen(Pair { one, other }: Pair) {
    three(&one).await;
    let queue = other.queue();
    let all = Chosen::default();
    let of = |production: &str, verdict: &str, name_like: &str| Chosen {
        production: production.into(),
        verdict: verdict.into(),
        name_like: name_like.into(),
        check: String::new(),
    };
    for (number, (filter, found)) in [
        (all, 3),
        (of("tidepool", "", ""), 3),
        (of("low-water", "", ""), 0),
        (of("", "pass", ""), 1),
        (of("", "", "%ZE%"), 1),
        (of("", "", "%\\_%"), 0),
        (chosen("skin/sum"), 1),
        (chosen("skin"), 2),
        (chosen("naming"), 0),
    ]
    .into_iter()
    .enumerate()
    {
        assert_eq!(begin(&queue, &format!("c{number}"), &filter, 1).await, Some(found), "{filter:?}");
    }
    for number in 0..3 {
        store(&one, &revision(["tidepool", &format!("crab-{number}"), "v1"], Verdict::Pass, "skin/sum", 1))
            .await;
    }
    assert_eq!(begin(&queue, "many", &Chosen::default(), 1).await, None);
    assert!(queue.campaign("many").await.unwrap().is_none(), "nothing of it is there");
}

async fn results_come_with_their_jobs_and_in_the_order_of_bytes(Pair { one, other }: Pair) {
    three(&one).await;
    let (queue, second) = (one.queue(), other.queue());
    assert_eq!(begin(&queue, "c", &Chosen::default(), 1).await, Some(3));
    let lease = claim(&second, "w1", 1).await.unwrap();
    assert_eq!(lease.id, "c:tidepool/Zebra", "jobs of one time go by id, in the order of bytes");
    let compared = Compared { after: "pass", new: 0, fixed: 1, same: 4 };
    let made = Made::Comparison(compared, Some("report"));
    assert_eq!(second.finish(&lease, made, 5).await.unwrap(), Finished::Done);
    let lease = claim(&second, "w2", 2).await.unwrap();
    let same = Compared { after: "pass", new: 0, fixed: 0, same: 1 };
    assert_eq!(second.finish(&lease, Made::Comparison(same, None), 5).await.unwrap(), Finished::Done);
    let all = queue.results("c", false, None, 10).await.unwrap();
    let told: Vec<_> = all
        .iter()
        .map(|r| {
            (r.candidate.asset.as_str(), r.candidate.number, r.job_state.as_str(), r.has_report, r.findings)
        })
        .collect();
    assert_eq!(
        told,
        [
            ("Zebra", 1, "done", true, [0, 1, 4]),
            ("eel", 1, "done", false, [0, 0, 1]),
            ("heron", 2, "queued", false, [0, 0, 0]),
        ]
    );
    assert_eq!(
        (all[0].before.as_str(), all[0].after.as_deref(), all[2].after.as_deref()),
        ("fail", Some("pass"), None)
    );
    let changed = queue.results("c", true, None, 10).await.unwrap();
    assert_eq!(changed.len(), 1);
    let place = ("tidepool".to_owned(), "Zebra".to_owned());
    let rest = queue.results("c", false, Some(&place), 1).await.unwrap();
    assert_eq!((rest.len(), rest[0].candidate.asset.as_str()), (1, "eel"));
    let counts = second.campaign("c").await.unwrap().unwrap().counts;
    assert_eq!((counts.total, counts.done, counts.open, counts.changed), (3, 2, 1, 1));
}

async fn a_campaign_waits_goes_on_and_ends(Pair { one, other }: Pair) {
    three(&one).await;
    let (queue, second) = (one.queue(), other.queue());
    begin(&queue, "c", &Chosen::default(), 1).await;
    let running = claim(&second, "w1", 1).await.unwrap();
    queue.pause("c", 2).await.unwrap();
    assert_eq!(second.campaign("c").await.unwrap().unwrap().state, RecheckState::Paused);
    assert!(claim(&second, "w2", 9).await.is_none());
    assert!(second.release(&running, 3).await.unwrap());
    assert_eq!(queue.get(&running.id).await.unwrap().unwrap().job.state, JobState::Paused);
    second.resume("c", 4).await.unwrap();
    let running = claim(&queue, "w3", 4).await.unwrap();
    assert_eq!(queue.campaign("c").await.unwrap().unwrap().state, RecheckState::Running);
    assert_eq!(
        queue
            .offer(&job("bulk", Priority::Bulk, None), condyle_server::queue::Room { jobs: 2, bytes: 100 }, 4)
            .await
            .unwrap(),
        condyle_server::queue::Offered::New,
        "a campaign takes no room from others"
    );
    assert_eq!(second.cancel_campaign("c", 5).await.unwrap(), [running.id.as_str()]);
    assert_eq!(queue.finish(&running, Made::Kept("/x"), 6).await.unwrap(), Finished::Lost);
    let over = queue.campaign("c").await.unwrap().unwrap();
    assert_eq!((over.state, over.counts.cancelled), (RecheckState::Cancelled, 3));
    queue.pause("c", 7).await.unwrap();
    assert_eq!(queue.campaign("c").await.unwrap().unwrap().state, RecheckState::Cancelled);
}

/// Each looks at what the other writes: without one writer at a time, a job could fail into a campaign that is paused
/// in the same moment, and go on.
async fn a_job_that_fails_beside_a_pause_waits_too(Pair { one, other }: Pair) {
    three(&one).await;
    let (queue, second) = (one.queue(), other.queue());
    for round in 0..10 {
        let id = format!("c{round}");
        begin(&queue, &id, &Chosen::default(), 1).await;
        let mut held = Vec::new();
        while let Some(lease) = claim(&second, &format!("w{round}-{}", held.len()), 1).await {
            held.push(lease);
        }
        assert_eq!(held.len(), 3);
        let problem = "{}";
        let (paused, a, b, c) = tokio::join!(
            queue.pause(&id, 2),
            second.retry(&held[0], 2, 3, problem),
            queue.release(&held[1], 2),
            second.retry(&held[2], 2, 3, problem),
        );
        paused.unwrap();
        assert!(a.unwrap() && b.unwrap() && c.unwrap());
        assert!(claim(&second, "late", 9).await.is_none(), "round {round}");
        queue.cancel_campaign(&id, 4).await.unwrap();
    }
}

async fn campaigns_are_listed_the_newest_first(Pair { one, other }: Pair) {
    three(&one).await;
    let queue = one.queue();
    for (now, id) in ["0a", "0b", "0c", "0d"].into_iter().enumerate() {
        begin(&queue, id, &if id == "0b" { chosen("skin") } else { chosen("scale") }, now as i64).await;
    }
    let ids = async |below: Option<&str>, limit| -> Vec<String> {
        other.queue().campaigns(below, limit).await.unwrap().into_iter().map(|one| one.id).collect()
    };
    assert_eq!(ids(None, 3).await, ["0d", "0c", "0b"]);
    assert_eq!(ids(Some("0b"), 3).await, ["0a"]);
    assert_eq!(ids(Some("0a"), 3).await, [""; 0]);
    let all = queue.campaigns(None, 9).await.unwrap();
    assert_eq!((all[2].counts.total, all[2].counts.open, all[2].state), (2, 2, RecheckState::Running));
    assert_eq!((all[3].counts.total, all[3].state, all[3].created_ms), (0, RecheckState::Done, 0));
    assert_eq!(all[3].request, "{\"q\":\"\u{e9}\"}");
}

async fn old_campaigns_are_forgotten_with_their_jobs(Pair { one, other }: Pair) {
    three(&one).await;
    let queue = one.queue();
    begin(&queue, "old", &chosen("skin/sum"), 1).await;
    begin(&queue, "open", &chosen("skin/sum"), 1).await;
    other.queue().cancel_campaign("old", 2).await.unwrap();
    assert_eq!(other.queue().forget(100).await.unwrap(), 0, "jobs of campaigns go with them");
    assert_eq!(other.queue().forget_campaigns(2).await.unwrap(), 0);
    assert_eq!(other.queue().forget_campaigns(3).await.unwrap(), 1);
    assert!(
        queue.campaign("old").await.unwrap().is_none() && queue.campaign("open").await.unwrap().is_some()
    );
    assert!(queue.get("old:tidepool/heron").await.unwrap().is_none());
    assert_eq!(queue.results("old", false, None, 10).await.unwrap().len(), 0);
}
