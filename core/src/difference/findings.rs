//! Findings of two reports, told apart by fingerprint.

use std::collections::{BTreeMap, BTreeSet};

use super::{Brief, Cause, Changed, FindingChanges, Kept, RuleChanges};
use crate::report::{Finding, NotRunStatus, Report};

pub(super) fn compare(
    from: &Report,
    to: &Report,
    rejudged: Option<&Report>,
    rules: RuleChanges,
    same_input: bool,
) -> FindingChanges {
    let before = by_fingerprint(from);
    let now = by_fingerprint(to);
    let between = rejudged.map(|report| report.findings.iter().map(key).collect::<BTreeSet<_>>());
    let why = Why { rules, same_input, between: between.as_ref() };
    let mut changes = FindingChanges::default();
    for finding in &to.findings {
        match before.get(&key(finding)) {
            Some(old) => changes.unchanged.push(Kept {
                finding: brief(finding),
                severity_before: (old.severity != finding.severity).then_some(old.severity),
                waived_before: (old.waiver.is_some() != finding.waiver.is_some())
                    .then_some(old.waiver.is_some()),
            }),
            None => changes.new.push(Changed { finding: brief(finding), cause: why.appeared(finding, from) }),
        }
    }
    for finding in &from.findings {
        if !now.contains_key(&key(finding)) {
            changes.fixed.push(Changed { finding: brief(finding), cause: why.gone(finding, to) });
        }
    }
    changes
}

/// Two checks never share a fingerprint by design; the check is in the key so that a forged report cannot make them.
fn key(finding: &Finding) -> (&str, &str) {
    (&finding.check, &finding.fingerprint)
}

fn by_fingerprint(report: &Report) -> BTreeMap<(&str, &str), &Finding> {
    report.findings.iter().map(|finding| (key(finding), finding)).collect()
}

fn brief(finding: &Finding) -> Brief {
    Brief {
        fingerprint: finding.fingerprint.clone(),
        check: finding.check.clone(),
        severity: finding.severity,
        subject: finding.subject.clone(),
        message: finding.message.clone(),
        waived: finding.waiver.is_some(),
    }
}

struct Why<'a> {
    rules: RuleChanges,
    same_input: bool,
    between: Option<&'a BTreeSet<(&'a str, &'a str)>>,
}

impl Why<'_> {
    /// A finding that the older report has not.
    fn appeared(&self, finding: &Finding, from: &Report) -> Cause {
        if let Some(cause) = other_side(finding, from) {
            return cause;
        }
        self.told(|between| between.contains(&key(finding)))
    }

    /// A finding that the newer report has not.
    fn gone(&self, finding: &Finding, to: &Report) -> Cause {
        if let Some(cause) = other_side(finding, to) {
            return cause;
        }
        self.told(|between| !between.contains(&key(finding)))
    }

    /// `rule` looks at the older input under the newer rules: whether the change is already there.
    fn told(&self, rule: impl Fn(&BTreeSet<(&str, &str)>) -> bool) -> Cause {
        if !self.rules.any() {
            return Cause::Asset;
        }
        if self.same_input {
            return Cause::Rule;
        }
        match self.between {
            Some(between) if rule(between) => Cause::Rule,
            Some(_) => Cause::Asset,
            None => Cause::Either,
        }
    }
}

/// What the side without the finding says about the check; nothing where it looked, and told all that it found.
pub(crate) fn other_side(finding: &Finding, other: &Report) -> Option<Cause> {
    if other.truncated.contains_key(&finding.check) {
        return Some(Cause::NotShown);
    }
    let mut idle = other.not_run.iter().filter(|one| one.check == finding.check).map(|one| one.status);
    idle.find_map(|status| match status {
        NotRunStatus::Disabled => Some(Cause::Rule),
        NotRunStatus::Prerequisite | NotRunStatus::Cancelled | NotRunStatus::Failed => {
            Some(Cause::NotChecked)
        }
        // There is nothing left, or there was nothing yet, that it could look at: that is the asset's doing.
        NotRunStatus::NotApplicable => None,
    })
}
