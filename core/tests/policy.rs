//! Limits for some joints only, and what waivers of several inputs mean for one.
#![expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use condyle_core::check::{Profile, Request, Unobserved, Waiver, WaiverPlace, run};
use condyle_core::intake::{Bundle, Limits, Upload, read};
use condyle_core::report::{Report, Severity};
use condyle_core::testing::build;

/// S is 1 m; the claw is 0.3 mm long, the lure 0.2 mm (0.03 % and 0.02 % of S; the limit is 0.05 %).
const CRAB: &str = "plan\njoint shell at 0 0 0 tip 0 0 1 parent none\n\
    joint claw_1 at 0 0.1 0 tip 0 0.1003 0 parent shell\njoint lure at 0 0.2 0 tip 0 0.2002 0 parent shell\n\
    part claw kind arm joints claw_1\npart lure kind feeler joints lure\n";

fn judged(profile: &str, waivers: Vec<Waiver>) -> Report {
    let bytes = build(CRAB).unwrap();
    let model = Some(Upload { name: "crab", bytes: &bytes });
    let intake = read(&Bundle { model, ..Bundle::default() }, &Limits::default()).unwrap();
    let head = "profile = 'condyle.profile/1'\nname = 'own'\nabout = 'a test'\n";
    let profile = Profile::read(&format!("{head}{profile}")).unwrap();
    let request = Request { waivers, ..Request::all(&profile, "2026-01-01".parse().unwrap()) };
    run(&intake, &request, &Unobserved).unwrap()
}

/// Severity, subject and limit (share of S) of each zero-length finding.
fn found(profile: &str) -> Vec<(Severity, String, Option<f64>)> {
    let report = judged(profile, Vec::new());
    let list = report.findings.into_iter().filter(|one| one.check == "placement/zero-length");
    let mut found: Vec<_> =
        list.map(|one| (one.severity, one.subject.name.clone(), one.evidence[1].limit)).collect();
    found.sort_by(|a, b| a.1.cmp(&b.1));
    found
}

fn apart(which: &str, change: &str) -> String {
    format!(
        "[[overrides]]\n{which}\nreason = 'a test of it'\n[overrides.checks.'placement/zero-length']\n{change}\n"
    )
}

#[test]
fn limits_for_some_joints_hold_for_those_alone() {
    let (claw, lure) = ("claw_1".to_owned(), "lure".to_owned());
    let whole = Some(5e-4);
    let error = Severity::Error;
    assert_eq!(found(""), [(error, claw.clone(), whole), (error, lure.clone(), whole)]);
    for which in ["joints = 'claw_*'", "parts = 'arm'", "parts = 'cl*'", "joints = '*'\nparts = 'arm'"] {
        assert_eq!(found(&apart(which, "enabled = false")), [(error, lure.clone(), whole)], "{which}");
    }
    let note = "bands.plan.severity = 'note'";
    assert_eq!(
        found(&apart("joints = 'claw_*'", note)),
        [(Severity::Note, claw.clone(), whole), (error, lure.clone(), whole)]
    );
    // A tighter limit lets the claw go; a looser one is the one that is told.
    assert_eq!(
        found(&apart("joints = 'claw_*'", "bands.plan.limit = 2.5e-4")),
        [(error, lure.clone(), whole)]
    );
    assert_eq!(
        found(&apart("joints = 'claw_*'", "bands.plan.limit = 1e-3")),
        [(error, claw.clone(), Some(1e-3)), (error, lure.clone(), whole)]
    );
    // Of several that match, the last one holds.
    let twice = apart("joints = '*'", "enabled = false") + &apart("joints = 'lure'", note);
    assert_eq!(found(&twice), [(Severity::Note, lure, whole)]);
}

#[test]
fn what_covers_nothing_is_told_where_it_is_meant_for_this_input_alone() {
    let list = serde_json::json!([
        {"check": "placement/zero-length", "subject": "claw_*", "reason": "the joke"},
        {"check": "placement/zero-length", "subject": "tail_*", "reason": "another animal's"},
    ]);
    let mut waivers = Waiver::read_list(&list).unwrap();
    let unmatched = |waivers: &[Waiver]| {
        let report = judged("", waivers.to_vec());
        assert_eq!(report.counts.waived, 1);
        report.findings.iter().filter(|one| one.check == "policy/unmatched-waiver").count()
    };
    assert_eq!(unmatched(&waivers), 1);
    for waiver in &mut waivers {
        waiver.place = WaiverPlace::Shared;
    }
    assert_eq!(unmatched(&waivers), 0);
}
