//! The queue: offers, claims, leases, ends.

use std::collections::BTreeSet;

use condyle_api::{JobKind, JobState, Priority};
use condyle_core::report::Verdict;
use condyle_server::queue::lease::{Claim, Finished, Lease, Made};
use condyle_server::queue::{Cancelled, NewJob, Offered, Outcome, Queue, Room};

use crate::revisions::revision;
use crate::{Pair, cases};

cases![
    an_offer_is_queued_once,
    the_last_tenth_is_for_gates,
    one_label_has_one_job_when_many_offer,
    gates_go_first_and_then_who_came_first,
    each_job_is_claimed_once_when_many_ask,
    a_lease_that_is_over_is_taken_and_the_first_holder_stores_nothing,
    a_job_and_its_revision_are_one_transaction,
    a_failure_waits_and_ends_and_a_worn_job_is_told,
    what_is_cancelled_has_no_effect,
    what_is_over_is_forgotten,
    inputs_of_old_reports_go_first_and_their_reports_stay,
];

const ROOM: Room = Room { jobs: 1_000, bytes: 1_000_000 };

pub(crate) fn job(id: &str, priority: Priority, label: Option<&str>) -> NewJob {
    NewJob {
        id: id.into(),
        kind: if label.is_some() { JobKind::Submit } else { JobKind::Check },
        priority,
        // Longer than what a server sends at once.
        request: format!("{{\"of\":\"{id}\",\"long\":\"{}\"}}", "x".repeat(20_000)),
        bytes: 10,
        input_sha256: format!("sha of {id}"),
        address: label.map(|label| ["tidepool".into(), "heron".into(), label.into()]),
        alone: true,
        blobs: vec![format!("blob of {id}"), "shared".into()],
        token: None,
    }
}

async fn offer(queue: &Queue, new: &NewJob, now: i64) -> Offered {
    queue.offer(new, ROOM, now).await.unwrap()
}

/// Takes the next job for ten milliseconds.
pub(crate) async fn claim(queue: &Queue, owner: &str, now: i64) -> Option<Lease> {
    match queue.claim(owner, now, 10, 8, 5).await.unwrap() {
        Claim::Leased(lease) => Some(lease),
        Claim::Worn(lease) => panic!("worn: {lease:?}"),
        Claim::Nothing => None,
    }
}

async fn an_offer_is_queued_once(Pair { one, other }: Pair) {
    let (queue, second) = (one.queue(), other.queue());
    let new = job("a", Priority::Gate, Some("v1"));
    assert_eq!(offer(&queue, &new, 1_764_028_800_123).await, Offered::New);
    assert_eq!(offer(&second, &new, 6).await, Offered::Same("a".into()));
    let same = NewJob { id: "b".into(), ..new.clone() };
    assert_eq!(
        offer(&second, &same, 6).await,
        Offered::Same("a".into()),
        "the same bytes for the same label"
    );
    let different = NewJob { id: "b".into(), input_sha256: "other".into(), ..new.clone() };
    assert_eq!(offer(&second, &different, 6).await, Offered::Taken("a".into()));
    let careless = NewJob { alone: false, ..different };
    assert_eq!(offer(&second, &careless, 6).await, Offered::New);
    let read = second.get("a").await.unwrap().unwrap();
    assert_eq!(
        (read.job.state, read.job.kind, read.job.priority),
        (JobState::Queued, JobKind::Submit, Priority::Gate)
    );
    // By `date -u -d @1764028800.123`.
    assert_eq!(read.job.created_at, "2025-11-25T00:00:00.123Z");
    assert_eq!(read.address, new.address);
    assert!(other.blob_in_use("blob of a").await.unwrap() && other.blob_in_use("shared").await.unwrap());
    assert_eq!(second.get("z").await.unwrap().map(|job| job.job), None);
    assert_eq!(second.report("a").await.unwrap(), None);
}

async fn the_last_tenth_is_for_gates(Pair { one, .. }: Pair) {
    let queue = one.queue();
    let room = Room { jobs: 10, bytes: 1_000 };
    for number in 0..9 {
        let new = job(&format!("b{number}"), Priority::Bulk, None);
        assert_eq!(queue.offer(&new, room, 1).await.unwrap(), Offered::New);
    }
    let bulk = job("b9", Priority::Bulk, None);
    assert_eq!(queue.offer(&bulk, room, 1).await.unwrap(), Offered::Full);
    let gate = job("g0", Priority::Gate, None);
    assert_eq!(queue.offer(&gate, room, 1).await.unwrap(), Offered::New);
    assert_eq!(queue.offer(&job("g1", Priority::Gate, None), room, 1).await.unwrap(), Offered::Full);
    let large = NewJob { bytes: 901, ..bulk };
    assert_eq!(queue.offer(&large, Room { jobs: 100, bytes: 1_000 }, 1).await.unwrap(), Offered::Full);
}

async fn one_label_has_one_job_when_many_offer(Pair { one, other }: Pair) {
    let mut running = tokio::task::JoinSet::new();
    for number in 0..20 {
        let queue = if number % 2 == 0 { one.queue() } else { other.queue() };
        running.spawn(async move {
            offer(&queue, &job(&format!("j{number}"), Priority::Bulk, Some("v1")), 1).await
        });
    }
    let all = running.join_all().await;
    assert_eq!(all.iter().filter(|offered| **offered == Offered::New).count(), 1);
    assert!(all.iter().all(|offered| matches!(offered, Offered::New | Offered::Taken(_))), "{all:?}");
}

async fn gates_go_first_and_then_who_came_first(Pair { one, other }: Pair) {
    let queue = one.queue();
    for (id, priority, now) in [
        ("b2", Priority::Bulk, 2),
        ("b1", Priority::Bulk, 1),
        ("g4", Priority::Gate, 4),
        ("g3", Priority::Gate, 3),
    ] {
        assert_eq!(offer(&queue, &job(id, priority, None), now).await, Offered::New);
    }
    let mut order = Vec::new();
    while let Some(lease) = claim(&other.queue(), "w", 9).await {
        assert_eq!((lease.kind, lease.attempts), (JobKind::Check, 1));
        assert_eq!(lease.request, job(&lease.id, Priority::Gate, None).request);
        order.push(lease.id);
    }
    assert_eq!(order, ["g3", "g4", "b1", "b2"]);
}

async fn each_job_is_claimed_once_when_many_ask(Pair { one, other }: Pair) {
    const MANY: usize = 40;
    for number in 0..MANY {
        let new =
            job(&format!("j{number}"), if number % 4 == 0 { Priority::Gate } else { Priority::Bulk }, None);
        assert_eq!(offer(&one.queue(), &new, 1).await, Offered::New);
    }
    let mut running = tokio::task::JoinSet::new();
    for worker in 0..8 {
        let queue = if worker % 2 == 0 { one.queue() } else { other.queue() };
        running.spawn(async move {
            let mut mine = Vec::new();
            while let Some(lease) = claim(&queue, &format!("w{worker}-{}", mine.len()), 2).await {
                // Whoever has a lease can use it at once: the claim was committed.
                assert!(queue.beat(&lease, 12, 3, 10).await.unwrap());
                mine.push(lease.id);
            }
            mine
        });
    }
    let all: Vec<String> = running.join_all().await.into_iter().flatten().collect();
    // A worker may find nothing while others are about to take what is left, so that it ends early; none is left out.
    assert_eq!(all.len(), MANY);
    assert_eq!(all.iter().collect::<BTreeSet<_>>().len(), MANY);
    let read = one.queue().get("j0").await.unwrap().unwrap().job;
    assert_eq!((read.state, read.progress.done, read.progress.total), (JobState::Running, 3, 10));
}

async fn a_lease_that_is_over_is_taken_and_the_first_holder_stores_nothing(Pair { one, other }: Pair) {
    let (queue, second) = (one.queue(), other.queue());
    offer(&queue, &job("a", Priority::Bulk, None), 1).await;
    let first = claim(&queue, "w1", 1).await.unwrap();
    assert!(claim(&second, "w2", 10).await.is_none(), "it is leased until 11");
    assert!(queue.beat(&first, 20, 1, 10).await.unwrap());
    assert!(claim(&second, "w2", 19).await.is_none(), "it gave a sign of life");
    let taken = claim(&second, "w2", 20).await.unwrap();
    assert_eq!(taken.attempts, 2);
    assert!(!queue.beat(&first, 99, 2, 10).await.unwrap());
    assert!(!queue.release(&first, 21).await.unwrap());
    assert!(!queue.retry(&first, 21, 22, "{}").await.unwrap());
    assert!(!queue.bury(&first, 21, "{}").await.unwrap());
    assert_eq!(queue.finish(&first, Made::Report("first"), 21).await.unwrap(), Finished::Lost);
    assert_eq!(second.finish(&taken, Made::Report("second"), 22).await.unwrap(), Finished::Done);
    assert_eq!(second.finish(&taken, Made::Report("third"), 23).await.unwrap(), Finished::Lost);
    assert_eq!(queue.report("a").await.unwrap().map(|kept| kept.report).as_deref(), Some("second"));
    let over = queue.get("a").await.unwrap().unwrap();
    assert_eq!((over.job.state, over.outcome), (JobState::Done, Some(Outcome::Report)));
    assert_eq!(over.job.result.as_deref(), Some("/v1/jobs/a/report"));
    assert!(one.blob_in_use("blob of a").await.unwrap(), "a report is kept with its input");
}

async fn a_job_and_its_revision_are_one_transaction(Pair { one, other }: Pair) {
    let (queue, second) = (one.queue(), other.queue());
    offer(&queue, &job("a", Priority::Bulk, Some("v1")), 1).await;
    let lease = claim(&queue, "w1", 1).await.unwrap();
    let new = revision(["tidepool", "heron", "v1"], Verdict::Pass, "skin/sum", 2);
    other.insert(&new, None).await.unwrap();
    assert_eq!(queue.finish(&lease, Made::Revision(&new, None), 3).await.unwrap(), Finished::Taken);
    assert_eq!(second.get("a").await.unwrap().unwrap().job.state, JobState::Running, "the lease holds");
    let before = other.generation().await.unwrap();
    assert_eq!(queue.finish(&lease, Made::Revision(&new, Some(1)), 4).await.unwrap(), Finished::Done);
    assert!(!one.blob_in_use("blob of a").await.unwrap(), "the revision holds what it needs");
    assert!(other.generation().await.unwrap() > before);
    assert_eq!(other.revision("tidepool", "heron", "v1").await.unwrap().unwrap().number, 2);
    let over = second.get("a").await.unwrap().unwrap();
    assert_eq!(over.job.result.as_deref(), Some("/v1/assets/tidepool/heron/revisions/v1"));
    assert_eq!(over.outcome, Some(Outcome::Created));
    offer(&queue, &job("b", Priority::Bulk, Some("v1")), 5).await;
    let lease = claim(&queue, "w2", 5).await.unwrap();
    assert_eq!(queue.finish(&lease, Made::Kept("/there"), 6).await.unwrap(), Finished::Done);
    assert_eq!(second.get("b").await.unwrap().unwrap().outcome, Some(Outcome::Kept));
}

async fn a_failure_waits_and_ends_and_a_worn_job_is_told(Pair { one, other }: Pair) {
    let (queue, second) = (one.queue(), other.queue());
    offer(&queue, &job("a", Priority::Bulk, None), 1).await;
    let lease = claim(&queue, "w1", 1).await.unwrap();
    let problem = r#"{"type":"/problems/busy","title":"t","status":503,"detail":"d"}"#;
    assert!(queue.retry(&lease, 2, 50, problem).await.unwrap());
    let waiting = second.get("a").await.unwrap().unwrap().job;
    assert_eq!(
        (waiting.state, waiting.retry_at.as_deref()),
        (JobState::Failed, Some("1970-01-01T00:00:00.050Z"))
    );
    assert_eq!(waiting.problem.unwrap().detail, "d");
    assert!(claim(&second, "w2", 49).await.is_none());
    let lease = claim(&second, "w2", 50).await.unwrap();
    assert!(second.release(&lease, 51).await.unwrap());
    let back = queue.get("a").await.unwrap().unwrap().job;
    assert_eq!(
        (back.state, back.attempts),
        (JobState::Queued, 1),
        "an attempt that was given back does not count"
    );
    let lease = claim(&queue, "w3", 51).await.unwrap();
    assert!(queue.bury(&lease, 52, problem).await.unwrap());
    assert_eq!(second.get("a").await.unwrap().unwrap().job.state, JobState::Dead);
    assert!(!other.blob_in_use("blob of a").await.unwrap());
    offer(&queue, &job("b", Priority::Bulk, None), 60).await;
    for attempt in 0..2 {
        let claimed = queue.claim(&format!("x{attempt}"), 60 + attempt * 10, 10, 2, 5).await.unwrap();
        assert!(matches!(claimed, Claim::Leased(_)), "{claimed:?}");
    }
    let worn = queue.claim("x9", 80, 10, 2, 5).await.unwrap();
    assert!(matches!(&worn, Claim::Worn(lease) if lease.attempts == 3), "{worn:?}");
}

async fn what_is_cancelled_has_no_effect(Pair { one, other }: Pair) {
    let (queue, second) = (one.queue(), other.queue());
    offer(&queue, &job("a", Priority::Bulk, Some("v1")), 1).await;
    let lease = claim(&queue, "w1", 1).await.unwrap();
    assert_eq!(second.cancel("a", 2).await.unwrap(), Cancelled::Now);
    assert_eq!(second.cancel("a", 2).await.unwrap(), Cancelled::Now, "once more changes nothing");
    assert!(!queue.beat(&lease, 99, 1, 10).await.unwrap());
    let new = revision(["tidepool", "heron", "v1"], Verdict::Pass, "skin/sum", 2);
    assert_eq!(queue.finish(&lease, Made::Revision(&new, None), 3).await.unwrap(), Finished::Lost);
    assert_eq!(other.revision("tidepool", "heron", "v1").await.unwrap(), None);
    assert!(!other.blob_in_use("blob of a").await.unwrap());
    assert_eq!(second.cancel("z", 2).await.unwrap(), Cancelled::Missing);
    offer(&queue, &job("b", Priority::Bulk, None), 1).await;
    let lease = claim(&queue, "w2", 1).await.unwrap();
    let (finished, cancelled) =
        tokio::join!(queue.finish(&lease, Made::Report("r"), 3), second.cancel("b", 3));
    let (finished, cancelled) = (finished.unwrap(), cancelled.unwrap());
    assert!(
        matches!((finished, cancelled), (Finished::Done, Cancelled::Over) | (Finished::Lost, Cancelled::Now)),
        "{finished:?} {cancelled:?}"
    );
}

async fn what_is_over_is_forgotten(Pair { one, other }: Pair) {
    let queue = one.queue();
    for id in ["a", "b"] {
        offer(&queue, &job(id, Priority::Bulk, None), 1).await;
    }
    let lease = claim(&queue, "w1", 1).await.unwrap();
    queue.finish(&lease, Made::Report("r"), 5).await.unwrap();
    assert_eq!(other.queue().forget(5).await.unwrap(), 0);
    assert!(other.blob_in_use("blob of a").await.unwrap());
    assert_eq!(other.queue().forget(6).await.unwrap(), 1, "what is not over stays");
    assert!(!other.blob_in_use("blob of a").await.unwrap() && other.blob_in_use("blob of b").await.unwrap());
    assert!(queue.get("a").await.unwrap().is_none() && queue.get("b").await.unwrap().is_some());
}

/// Each holds ten bytes.
async fn inputs_of_old_reports_go_first_and_their_reports_stay(Pair { one, other }: Pair) {
    let queue = one.queue();
    for (id, at) in [("a", 10), ("b", 20), ("c", 30)] {
        offer(&queue, &job(id, Priority::Bulk, None), at).await;
        let lease = claim(&queue, id, at).await.unwrap();
        queue.finish(&lease, Made::Report("r"), at + 1).await.unwrap();
    }
    offer(&queue, &job("d", Priority::Bulk, None), 1).await;
    let held = async || {
        let mut held = Vec::new();
        for id in ["a", "b", "c", "d"] {
            held.push(other.blob_in_use(&format!("blob of {id}")).await.unwrap());
        }
        held
    };
    assert_eq!(other.queue().let_go(30).await.unwrap(), 0);
    assert_eq!(held().await, [true; 4]);
    other.queue().let_go(29).await.unwrap();
    assert_eq!(held().await, [false, true, true, true]);
    other.queue().let_go(0).await.unwrap();
    assert_eq!(held().await, [false, false, false, true], "what waits needs its input");
    let kept = other.queue().report("a").await.unwrap().unwrap();
    assert_eq!((kept.report.as_str(), kept.holds_input), ("r", false));
}
