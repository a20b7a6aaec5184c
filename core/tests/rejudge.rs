//! A stored report on a later day, held against a run of that day.
#![expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use condyle_core::check::{Profile, Request, Unobserved, Waiver, run};
use condyle_core::intake::{Bundle, Limits, Upload, read};
use condyle_core::rejudge::{first_end, rejudge};
use condyle_core::report::{FailOn, Report, Severity, Verdict};
use condyle_core::testing::build;
use serde_json::{Value, json};

const CRAB: &str = "plan\njoint shell at 0 0 0 tip 0 0 1 parent none\n\
    joint claw_1 at 0 0.1 0 tip 0 0.1003 0 parent shell\njoint lure at 0 0.2 0 tip 0 0.2002 0 parent shell\n\
    joint ring at 0 0.3 0 tip 0 0.3001 0 parent shell\n";

fn judged(waivers: &Value, as_of: &str) -> Report {
    let bytes = build(CRAB).unwrap();
    let model = Some(Upload { name: "crab", bytes: &bytes });
    let intake = read(&Bundle { model, ..Bundle::default() }, &Limits::default()).unwrap();
    let profile = Profile::realtime();
    let waivers = Waiver::read_list(waivers).unwrap();
    let request = Request {
        waivers,
        fail_on: FailOn::Warning,
        only: vec!["placement/zero-length".into(), "policy".into()],
        ..Request::all(&profile, as_of.parse().unwrap())
    };
    run(&intake, &request, &Unobserved).unwrap()
}

fn waiver(subject: &str, until: Option<&str>) -> Value {
    let mut one =
        json!({"check": "placement/zero-length", "subject": subject, "reason": "the joke", "by": "rigging"});
    if let Some(until) = until {
        one["until"] = json!(until);
    }
    one
}

/// What a later run says, save what only the input knows: where the waiver is written, and the fix of that.
fn without_places(mut report: Report) -> Report {
    for finding in &mut report.findings {
        if finding.subject.kind == "waiver" {
            finding.subject.pointer.clear();
            finding.fix = None;
        }
    }
    report
}

#[test]
fn on_a_later_day_it_says_what_a_run_of_that_day_says() {
    let waivers = json!([
        waiver("claw_*", Some("2026-03-01")),
        waiver("lure", Some("2026-04-01")),
        waiver("ring", None),
    ]);
    let stored = judged(&waivers, "2026-02-01");
    assert_eq!((stored.verdict, stored.counts.waived), (Verdict::Pass, 3));
    assert_eq!(first_end(&stored), Some("2026-03-01".parse().unwrap()));
    let warning = Some(Severity::Warning);
    assert_eq!(rejudge(&stored, "2026-03-01".parse().unwrap(), warning), None, "its last day counts");
    for day in ["2026-03-02", "2026-03-31", "2026-04-02", "2027-01-01"] {
        let now = rejudge(&stored, day.parse().unwrap(), warning).unwrap();
        assert_eq!(now, without_places(judged(&waivers, day)), "{day}");
        assert_eq!((now.verdict, now.gate.passed), (Verdict::Fail, false));
    }
    // Step by step it comes to the same.
    let step = rejudge(&stored, "2026-03-02".parse().unwrap(), warning).unwrap();
    assert_eq!(first_end(&step), Some("2026-04-01".parse().unwrap()));
    let step = rejudge(&step, "2026-04-02".parse().unwrap(), warning).unwrap();
    let whole = rejudge(&stored, "2026-04-02".parse().unwrap(), warning).unwrap();
    assert_eq!((step.verdict, step.counts), (whole.verdict, whole.counts));
    assert_eq!(first_end(&step), None);
    assert_eq!(rejudge(&step, "2030-01-01".parse().unwrap(), warning), None);
}

#[test]
fn what_another_waiver_covers_stays_waived() {
    let waivers = json!([waiver("claw_*", Some("2026-03-01")), waiver("*", Some("2027-01-01"))]);
    let stored = judged(&waivers, "2026-02-01");
    let now = rejudge(&stored, "2026-03-02".parse().unwrap(), None).unwrap();
    assert_eq!((now.verdict, now.counts.waived), (Verdict::Pass, 3));
    let off = rejudge(&stored, "2027-01-02".parse().unwrap(), None).unwrap();
    assert_eq!((off.counts.error, off.counts.waived), (3, 0));
}
