//! What processes that share a database see of each other: what is out of date, what happened, what was agreed, which
//! keys are taken.

use std::time::Duration;

use condyle_core::report::Verdict;
use condyle_server::access::Act;
use condyle_server::store::{Answer, Beside, KeyState, StoredReference};

use crate::revisions::{revision, store};
use crate::{Pair, cases};

cases![
    every_write_that_answers_depend_on_counts_everywhere,
    reading_counts_nothing,
    listeners_hear_every_process_once_and_in_order,
    what_is_agreed_is_seen_everywhere,
    a_profile_is_replaced_only_where_it_is_what_was_read,
    a_key_is_one_requests,
    a_key_is_taken_once_when_many_ask,
];

async fn every_write_that_answers_depend_on_counts_everywhere(Pair { one, other }: Pair) {
    let mut before = other.generation().await.unwrap();
    macro_rules! counts {
        ($write:expr) => {
            let _ = $write.await.unwrap();
            let now = other.generation().await.unwrap();
            assert!(now > before, "{}", stringify!($write));
            assert_eq!(one.generation().await.unwrap(), now);
            before = now;
        };
    }
    let first = revision(["tidepool", "heron", "v1"], Verdict::Pass, "skin/sum", 1);
    let second = revision(["tidepool", "heron", "v2"], Verdict::Pass, "skin/sum", 2);
    let third = revision(["tidepool", "heron", "v3"], Verdict::Pass, "skin/sum", 3);
    counts!(one.insert(&first, None));
    counts!(one.insert(&second, None));
    counts!(one.insert(&third, None));
    counts!(one.remove_revision(("tidepool", "heron", "v1"), None, "request", 3));
    counts!(one.retain(("tidepool", "heron"), Some(1), None, None, 4));
    counts!(one.remove_asset("tidepool", "heron", None, 5));
    counts!(one.put_profile("film", "a", None, &Act::default(), 6));
    counts!(one.put_policy("tidepool", "{}", None, &Act::default(), 7));
    let reference = StoredReference { file: "a.glb".into(), sha256: "a".repeat(64), bytes: 1 };
    counts!(one.put_reference("body", &reference, None, &Act::default(), 8));
    let beside = Beside { policy: Some("{}"), waivers: None, days: &[] };
    counts!(one.import("tidepool", Vec::new(), std::path::Path::new("."), beside, &Act::default(), 9));
    assert!(before > 0);
}

async fn reading_counts_nothing(Pair { one, other }: Pair) {
    store(&one, &revision(["tidepool", "heron", "v1"], Verdict::Pass, "skin/sum", 1)).await;
    let before = other.generation().await.unwrap();
    other.whole("tidepool", "heron", "v1").await.unwrap();
    other.ready(5).await.unwrap();
    other.named().await.unwrap();
    let taken = revision(["tidepool", "heron", "v1"], Verdict::Fail, "skin/sum", 1);
    one.insert(&taken, None).await.unwrap();
    assert_eq!(other.generation().await.unwrap(), before);
}

async fn listeners_hear_every_process_once_and_in_order(Pair { one, other }: Pair) {
    store(&one, &revision(["tidepool", "heron", "v0"], Verdict::Pass, "skin/sum", 1)).await;
    let mut listening = other.subscribe().await.unwrap();
    assert_eq!((listening.head, listening.oldest), (1, Some(1)));
    let mut writing = tokio::task::JoinSet::new();
    for number in 1..=20 {
        let by = if number % 2 == 0 { one.clone() } else { other.clone() };
        writing.spawn(async move {
            let new = revision(["tidepool", "heron", &format!("v{number}")], Verdict::Pass, "skin/sum", 1);
            store(&by, &new).await;
        });
    }
    writing.join_all().await;
    for id in 2..=21 {
        let heard =
            tokio::time::timeout(Duration::from_secs(10), listening.live.recv()).await.unwrap().unwrap();
        assert_eq!(heard.id, id);
    }
    assert!(listening.live.is_empty());
    // Whoever comes when all others went hears what is new as well.
    drop(listening);
    tokio::time::sleep(Duration::from_millis(700)).await;
    let mut listening = other.subscribe().await.unwrap();
    assert_eq!(listening.head, 21);
    one.put_policy("tidepool", "{}", None, &Act::default(), 1).await.unwrap();
    let heard = tokio::time::timeout(Duration::from_secs(10), listening.live.recv()).await.unwrap().unwrap();
    assert_eq!(heard.id, 22);
    let only = other.events(20, 22, Some("tidepool")).await.unwrap();
    assert_eq!(only.iter().map(|event| event.id).collect::<Vec<_>>(), [21, 22]);
    assert_eq!(other.events(0, 22, Some("low-water")).await.unwrap().len(), 0);
}

async fn what_is_agreed_is_seen_everywhere(Pair { one, other }: Pair) {
    assert_eq!(other.policy("tidepool").await.unwrap(), None);
    assert!(other.named().await.unwrap().profiles.is_empty());
    one.put_policy("tidepool", "{\"a\":1}", None, &Act::default(), 1).await.unwrap();
    one.put_policy("tidepool", "{\"a\":2}", None, &Act::default(), 2).await.unwrap();
    one.put_policy("low-water", "{}", None, &Act::default(), 3).await.unwrap();
    assert_eq!(other.policy("tidepool").await.unwrap().as_deref(), Some("{\"a\":2}"));
    let all = other.policies().await.unwrap();
    assert_eq!(
        all,
        [("low-water".to_owned(), "{}".to_owned()), ("tidepool".to_owned(), "{\"a\":2}".to_owned())]
    );
    assert!(one.put_profile("film", "text \u{e9}", None, &Act::default(), 4).await.unwrap());
    assert_eq!(other.named().await.unwrap().profiles["film"], "text \u{e9}");
    assert!(one.put_profile("film", "other", Some("text \u{e9}"), &Act::default(), 5).await.unwrap());
    assert_eq!(other.named().await.unwrap().profiles["film"], "other", "what was remembered is out of date");
}

async fn a_profile_is_replaced_only_where_it_is_what_was_read(Pair { one, other }: Pair) {
    assert!(!one.put_profile("film", "b", Some("a"), &Act::default(), 1).await.unwrap(), "there is none");
    assert!(one.profiles().await.unwrap().is_empty());
    assert!(one.put_profile("film", "a", None, &Act::default(), 1).await.unwrap());
    assert!(!other.put_profile("film", "b", None, &Act::default(), 1).await.unwrap(), "there is one");
    let act = Act::default();
    let (first, second) = tokio::join!(
        one.put_profile("film", "b", Some("a"), &act, 2),
        other.put_profile("film", "c", Some("a"), &act, 2)
    );
    assert!(first.unwrap() ^ second.unwrap(), "one of them wins");
}

async fn a_key_is_one_requests(Pair { one, other }: Pair) {
    let take = async |holder: &str, request: &str, job: &str, now: i64| {
        other.take_key("name", request, holder, job, now, now + 10).await.unwrap()
    };
    assert_eq!(take("a", "r", "j1", 0).await, KeyState::Ours("j1".into()));
    assert_eq!(take("b", "r", "j2", 1).await, KeyState::InUse);
    assert_eq!(take("b", "s", "j2", 1).await, KeyState::Reused);
    assert_eq!(
        take("b", "r", "j2", 10).await,
        KeyState::Ours("j1".into()),
        "the second try makes the same job"
    );
    let answer = Answer { status: 201, headers: "[]".into(), body: "b\u{e9}".into() };
    assert!(!one.keep_answer("name", "a", &answer, 100).await.unwrap(), "a lost it");
    assert!(one.keep_answer("name", "b", &answer, 100).await.unwrap());
    assert_eq!(take("c", "r", "j3", 50).await, KeyState::Answered(answer));
    one.give_key_back("name", "b", 0).await.unwrap();
    assert_eq!(take("c", "s", "j3", 50).await, KeyState::Reused, "an answer is not given back");
    assert_eq!(one.forget_keys(99).await.unwrap(), 0);
    assert_eq!(one.forget_keys(100).await.unwrap(), 1);
    assert_eq!(take("c", "s", "j3", 100).await, KeyState::Ours("j3".into()));
    one.give_key_back("name", "c", 100).await.unwrap();
    assert_eq!(
        take("d", "r", "j4", 100).await,
        KeyState::Ours("j4".into()),
        "another request's job is not its own"
    );
    assert_eq!(one.forget_keys(200).await.unwrap(), 0, "without an answer it is kept for a day more");
}

async fn a_key_is_taken_once_when_many_ask(Pair { one, other }: Pair) {
    let mut running = tokio::task::JoinSet::new();
    for number in 0..20 {
        let store = if number % 2 == 0 { one.clone() } else { other.clone() };
        running.spawn(async move {
            store.take_key("name", "r", &format!("h{number}"), &format!("j{number}"), 0, 10).await.unwrap()
        });
    }
    let all = running.join_all().await;
    assert_eq!(all.iter().filter(|state| matches!(state, KeyState::Ours(_))).count(), 1);
    assert_eq!(all.iter().filter(|state| **state == KeyState::InUse).count(), 19);
}
