//! A report on a later day: what a waiver covered counts again when the waiver has ended, although the asset stayed.
//!
//! The stored report is enough for it. Two things it cannot tell are told in the new one: a waiver that covered nothing
//! left no trace, and findings beyond those that are listed stay as they were counted.

use std::collections::BTreeMap;

use jiff::civil::Date;
use serde_json::json;
use sha2::{Digest as _, Sha256};

use crate::check::{Waiver, find, hex};
use crate::finding::{Evidence, Unit};
use crate::report::{Approximation, Finding, Report, Severity, SourceRef, SubjectRef, Verdict, WaiverRef};

/// The check that tells of waivers that ended.
pub const ENDED: &str = "policy/expired-waiver";

/// The report by the waivers that hold on a day; nothing where all that covered a finding still do. `ended` is how bad a
/// waiver that ended is (nothing is off).
pub fn rejudge(report: &Report, as_of: Date, ended: Option<Severity>) -> Option<Report> {
    let holding = holding(report, as_of);
    let mut now = report.clone();
    let mut over: BTreeMap<String, (WaiverRef, Date)> = BTreeMap::new();
    for finding in &mut now.findings {
        let Some(waiver) = finding.waiver.as_ref() else { continue };
        let Some(until) = end(waiver).filter(|until| *until < as_of) else { continue };
        over.insert(title(waiver), (waiver.clone(), until));
        let other = holding.iter().find(|one| one.covers(&finding.check, &finding.subject.name));
        finding.waiver = other.map(|one| one.wire().clone());
        if other.is_none() {
            now.counts.waived = now.counts.waived.saturating_sub(1);
            now.counts.add(finding.severity);
        }
    }
    if over.is_empty() {
        return None;
    }
    let listed = now.findings.iter().filter(|finding| finding.waiver.is_some()).count() as u64;
    let unlisted = now.counts.waived.saturating_sub(listed);
    if unlisted > 0 && !now.truncated.is_empty() {
        let what = "counted as waived without being listed, whether or not the waiver has ended".to_owned();
        now.approximations.push(Approximation { what, amount: unlisted });
    }
    let told = !report.not_run.iter().any(|one| one.check == ENDED);
    if let (Some(severity), true) = (ended, told) {
        for (title, (_, until)) in &over {
            if let Some(finding) = ending(title, *until, as_of, severity) {
                // Told on an earlier day already.
                now.findings.retain(|one| {
                    let same = one.fingerprint == finding.fingerprint && one.check == finding.check;
                    if same {
                        now.counts.remove(one.severity);
                    }
                    !same
                });
                now.counts.add(severity);
                now.findings.push(finding);
            }
        }
    }
    now.findings.sort_by(|a, b| (a.severity, &a.check).cmp(&(b.severity, &b.check)));
    now.verdict = Verdict::of(&now.counts);
    now.gate.passed = now.gate.fail_on.passes(now.verdict);
    now.as_of = as_of;
    Some(now)
}

/// The last day of the first waiver to end of those that cover a finding.
pub fn first_end(report: &Report) -> Option<Date> {
    report.findings.iter().filter_map(|finding| end(finding.waiver.as_ref()?)).min()
}

fn end(waiver: &WaiverRef) -> Option<Date> {
    waiver.until.as_deref()?.parse().ok()
}

/// The waivers of the report that hold on a day: a finding may be covered by more than the one that it names.
fn holding(report: &Report, as_of: Date) -> Vec<Waiver> {
    let waivers = report.findings.iter().filter_map(|finding| finding.waiver.as_ref());
    let distinct: BTreeMap<String, &WaiverRef> = waivers.map(|waiver| (title(waiver), waiver)).collect();
    let written = distinct.into_values().filter(|waiver| end(waiver).is_none_or(|until| until >= as_of));
    let read = |waiver: &WaiverRef| {
        let WaiverRef { check, subject, reason, by, until } = waiver;
        let mut one = json!({"check": check, "subject": subject, "reason": reason, "by": by});
        if let Some(until) = until {
            one["until"] = json!(until);
        }
        Waiver::read_list(&json!([one])).ok()
    };
    written.filter_map(read).flatten().collect()
}

/// What a report calls a waiver.
fn title(waiver: &WaiverRef) -> String {
    let cut = |text: &str| text.chars().take(80).collect::<String>();
    format!("{} on {}", cut(&waiver.check), cut(&waiver.subject))
}

/// The finding that a run on that day would have of the waiver itself.
fn ending(title: &str, until: Date, as_of: Date, severity: Severity) -> Option<Finding> {
    let check = find(ENDED).ok()?;
    let days = as_of.since(until).ok()?.get_days();
    let unit = if days == 1 { "day" } else { "days" };
    let identity = format!("{ENDED}\0waiver\0{title}");
    Some(Finding {
        fingerprint: hex(&Sha256::digest(identity))[..32].to_owned(),
        check: ENDED.to_owned(),
        severity,
        subject: SubjectRef {
            kind: "waiver".into(),
            name: title.to_owned(),
            pointer: String::new(),
            document: None,
        },
        related: Vec::new(),
        message: format!(
            "the waiver of {title} held until {until}, {days} {unit} ago; what it covered is still there"
        ),
        why: check.why.to_owned(),
        source: SourceRef { title: check.rule.title.to_owned(), section: check.rule.section.to_owned() },
        evidence: vec![Evidence {
            quantity: "days past its last day".into(),
            measured: Some(f64::from(days)),
            limit: check.bands.first().map(|band| band.limit),
            unit: Unit::Day,
        }],
        fix: None,
        confidence: 1.0,
        waiver: None,
    })
}
