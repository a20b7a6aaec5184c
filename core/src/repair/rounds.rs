//! Check, fix, check again, until nothing changes: so that repairing twice is repairing once.

use std::collections::{BTreeMap, BTreeSet};

use super::listing::{Change, Conflict, Fixed, Left, Repairs, Resolution};
use super::pass::{self, Outcome};
use super::source::{Form, Source};
use crate::check::{Observer, Request, RequestError, run};
use crate::finding::{Applicability, Fix};
use crate::intake::{Bundle, Fault, Intake, Limits, file_digest, read};
use crate::report::{Counts, Finding, Report, Severity};

/// Passes before fixes that keep coming back are given up.
const MOST_PASSES: u32 = 16;
/// Times that fixes which do not settle are left out and all is begun anew.
const MOST_RESTARTS: usize = 4;
/// Findings looked at per check.
const MOST_FINDINGS: usize = 2_000;

/// Which fixes to apply.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Which {
    /// Those that need no look.
    Safe,
    /// Those that want a look as well.
    Review,
    /// Those of these findings.
    Chosen(Vec<String>),
}

/// A repaired document.
#[derive(Debug, Clone)]
pub struct Repaired {
    /// The document: the very bytes of the input where nothing was changed.
    pub bytes: Vec<u8>,
    /// What it is.
    pub form: Form,
    /// What was done.
    pub listing: Repairs,
}

/// Why nothing could be repaired.
#[derive(Debug)]
pub enum RepairError {
    /// No rig can be built from the input.
    Fault(Fault),
    /// The request cannot be run.
    Request(RequestError),
    /// No finding has the fingerprint; its number in the list, and a near one.
    UnknownFingerprint {
        /// As asked.
        fingerprint: String,
        /// Its number in the list.
        at: usize,
        /// The finding it may mean: the only one that begins so, or one slip away.
        suggestion: Option<String>,
    },
    /// The caller went away.
    Cancelled,
    /// A repaired document could not be read again: a bug of ours.
    Broken(String),
}

/// Applies fixes to the document of a bundle: to the plan, where there is one, else to the model.
///
/// # Errors
/// When no rig can be built, when the request cannot be run, and when a chosen fingerprint is nobody's.
pub fn repair(
    bundle: &Bundle<'_>,
    limits: &Limits,
    request: &Request<'_>,
    which: &Which,
    observer: &dyn Observer,
) -> Result<Repaired, RepairError> {
    let request = Request { shown_per_check: MOST_FINDINGS, ..request.clone() };
    let intake = read(bundle, limits).map_err(RepairError::Fault)?;
    let source =
        Source::of(bundle, &intake).ok_or_else(|| RepairError::Broken("there is no document".into()))?;
    let first = run(&intake, &request, observer).map_err(RepairError::Request)?;
    if let Which::Chosen(list) = which {
        known(list, &first)?;
    }
    let mut excluded = BTreeSet::new();
    let mut given_up: Vec<Conflict> = Vec::new();
    let mut harmful: Vec<Left> = Vec::new();
    for _ in 0..=MOST_RESTARTS {
        let attempt = Attempt {
            bundle,
            source: &source,
            limits,
            request: &request,
            which,
            observer,
            excluded: &excluded,
        };
        match attempt.settle(&intake, &first)? {
            Settled::Done(mut repaired) => {
                repaired.listing.conflicts.append(&mut given_up);
                repaired.listing.left.append(&mut harmful);
                return Ok(*repaired);
            }
            Settled::Restless(fixes) => {
                for fixed in fixes.into_iter().filter(|fixed| excluded.insert(fixed.fingerprint.clone())) {
                    let path = fixed.subject.pointer.clone();
                    let resolution = Resolution::LeftOut;
                    given_up.push(Conflict { fixed, with: String::new(), path, resolution });
                }
            }
            Settled::Harmful(fixes) => {
                harmful
                    .extend(fixes.into_iter().filter(|left| excluded.insert(left.fixed.fingerprint.clone())));
            }
        }
    }
    let mut nothing = source.unchanged();
    nothing.listing.before = first.counts;
    nothing.listing.after = first.counts;
    nothing.listing.conflicts = given_up;
    nothing.listing.left = harmful;
    Ok(nothing)
}

/// Applies given fixes once, together, without checking before or after: the new bytes, if there are any, and what
/// became of each fix. For tools that make fixes of their own.
///
/// # Errors
/// As [`repair`].
pub fn apply_fixes(
    bundle: &Bundle<'_>,
    limits: &Limits,
    fixes: &[Fix],
) -> Result<(Option<Vec<u8>>, Vec<Outcome>), RepairError> {
    let intake = read(bundle, limits).map_err(RepairError::Fault)?;
    let source =
        Source::of(bundle, &intake).ok_or_else(|| RepairError::Broken("there is no document".into()))?;
    let fixes: Vec<&Fix> = fixes.iter().collect();
    pass::apply(source.bytes, &source, &intake, &fixes, bundle, limits).map_err(RepairError::Broken)
}

fn known(list: &[String], report: &Report) -> Result<(), RepairError> {
    let all: BTreeSet<&str> = report.findings.iter().map(|finding| finding.fingerprint.as_str()).collect();
    for (at, asked) in list.iter().enumerate() {
        if !all.contains(asked.as_str()) {
            let mut begin = all.iter().filter(|known| asked.len() >= 6 && known.starts_with(asked.as_str()));
            let only = begin.next().filter(|_| begin.next().is_none()).map(|known| (*known).to_owned());
            let suggestion =
                only.or_else(|| crate::model::nearest(asked, all.iter().copied()).map(str::to_owned));
            return Err(RepairError::UnknownFingerprint { fingerprint: asked.clone(), at, suggestion });
        }
    }
    Ok(())
}

enum Settled {
    Done(Box<Repaired>),
    /// These fixes keep each other going.
    Restless(Vec<Fixed>),
    /// These fixes, which should be safe, make new faults of their own kind.
    Harmful(Vec<Left>),
}

struct Attempt<'a> {
    bundle: &'a Bundle<'a>,
    source: &'a Source<'a>,
    limits: &'a Limits,
    request: &'a Request<'a>,
    which: &'a Which,
    observer: &'a dyn Observer,
    excluded: &'a BTreeSet<String>,
}

impl Attempt<'_> {
    fn wanted(&self, finding: &Finding) -> bool {
        let Some(fix) = &finding.fix else { return false };
        finding.waiver.is_none()
            && !self.excluded.contains(&finding.fingerprint)
            && match self.which {
                Which::Safe => fix.applicability() == Applicability::Safe,
                Which::Review => true,
                Which::Chosen(list) => list.contains(&finding.fingerprint),
            }
    }

    fn settle(&self, intake: &Intake, first: &Report) -> Result<Settled, RepairError> {
        let mut bytes: Option<Vec<u8>> = None;
        let mut reread: Option<(Intake, Report)> = None;
        let mut changes: Vec<Change> = Vec::new();
        let mut conflicts: BTreeMap<String, Conflict> = BTreeMap::new();
        let mut left: BTreeMap<String, Left>;
        let mut pass = 1;
        // Every state so far: one that comes again means that fixes undo each other.
        let mut states = vec![file_digest(self.source.bytes)];
        loop {
            if self.observer.cancelled() {
                return Err(RepairError::Cancelled);
            }
            let (intake, report) =
                reread.as_ref().map_or((intake, first), |(intake, report)| (intake, report));
            let findings: Vec<&Finding> = report.findings.iter().filter(|f| self.wanted(f)).collect();
            let fixes: Vec<&Fix> = findings.iter().filter_map(|finding| finding.fix.as_ref()).collect();
            let current = bytes.as_deref().unwrap_or(self.source.bytes);
            let (next, outcomes) =
                pass::apply(current, self.source, intake, &fixes, self.bundle, self.limits)
                    .map_err(RepairError::Broken)?;
            left = BTreeMap::new();
            let mut now = Vec::new();
            for (finding, outcome) in findings.iter().zip(outcomes) {
                let fixed = Fixed::of(finding);
                let fingerprint = finding.fingerprint.clone();
                match outcome {
                    Outcome::Applied => {
                        if let Some(conflict) = conflicts.get_mut(&fingerprint) {
                            conflict.resolution = Resolution::AppliedLater;
                        }
                        now.push(fixed);
                    }
                    Outcome::Unchanged => {
                        let reason = "the fix changes nothing any more, and the finding stays".to_owned();
                        left.insert(fingerprint, Left { fixed, reason });
                    }
                    Outcome::Refused(reason) => {
                        left.insert(fingerprint, Left { fixed, reason });
                    }
                    Outcome::Clash(clash) => {
                        let with =
                            findings.get(clash.with).map(|f| f.fingerprint.clone()).unwrap_or_default();
                        let resolution = Resolution::LeftOut;
                        let conflict = Conflict { fixed, with, path: clash.path, resolution };
                        conflicts.insert(fingerprint, conflict);
                    }
                }
            }
            let Some(next) = next else { break };
            changes.extend(now.iter().cloned().map(|fixed| Change { fixed, pass }));
            let state = file_digest(&next);
            let again = states.iter().position(|known| *known == state);
            let again = again.or((pass == MOST_PASSES).then_some(MOST_PASSES as usize / 2));
            if let Some(since) = again {
                let cycle = changes.into_iter().filter(|change| change.pass as usize > since);
                return Ok(Settled::Restless(cycle.map(|change| change.fixed).collect()));
            }
            states.push(state);
            let bundle = self.source.replaced(self.bundle, &next);
            let again = read(&bundle, self.limits)
                .map_err(|fault| RepairError::Broken(format!("the repaired document is refused: {fault}")))?;
            let report = run(&again, self.request, self.observer).map_err(RepairError::Request)?;
            if *self.which == Which::Safe {
                let harm = harm(&opened(first, &report), &now);
                if !harm.is_empty() {
                    return Ok(Settled::Harmful(harm));
                }
            }
            reread = Some((again, report));
            bytes = Some(next);
            pass += 1;
        }
        let last = reread.as_ref().map_or(first, |(_, report)| report);
        let there: BTreeSet<&str> = last.findings.iter().map(|f| f.fingerprint.as_str()).collect();
        for (fingerprint, conflict) in &mut conflicts {
            if conflict.resolution == Resolution::LeftOut && !there.contains(fingerprint.as_str()) {
                conflict.resolution = Resolution::Superseded;
            }
        }
        if let Which::Chosen(list) = self.which {
            for finding in first.findings.iter().filter(|f| list.contains(&f.fingerprint)) {
                let reason = match (&finding.fix, &finding.waiver) {
                    (None, _) => "the finding has no fix",
                    (_, Some(_)) => "the finding is waived",
                    _ => continue,
                };
                let reason = reason.to_owned();
                left.insert(finding.fingerprint.clone(), Left { fixed: Fixed::of(finding), reason });
            }
        }
        let mut repaired = self.source.unchanged();
        if let Some(bytes) = bytes {
            repaired.listing.after_sha256 = file_digest(&bytes);
            repaired.bytes = bytes;
        }
        let listing = &mut repaired.listing;
        listing.before = first.counts;
        listing.after = last.counts;
        listing.changes = changes;
        listing.conflicts = conflicts.into_values().collect();
        listing.left = left.into_values().collect();
        listing.review = last
            .findings
            .iter()
            .filter(|f| f.waiver.is_none() && !self.wanted(f) && !self.excluded.contains(&f.fingerprint))
            .filter(|f| f.fix.as_ref().is_some_and(|fix| fix.applicability() == Applicability::Review))
            .map(Fixed::of)
            .collect();
        listing.opened = opened(first, last);
        Ok(Settled::Done(Box::new(repaired)))
    }
}

/// Fixes of the family that new faults are of. (What a fix merely brings to light, a parent that is known at last for
/// example, is of another family.)
fn harm(opened: &[Fixed], now: &[Fixed]) -> Vec<Left> {
    let family = |fixed: &Fixed| fixed.check.split('/').next().unwrap_or("").to_owned();
    now.iter()
        .filter_map(|fixed| {
            let new = opened.iter().find(|new| family(new) == family(fixed))?;
            let reason = format!("it would open {} on {}", new.check, new.subject.name);
            Some(Left { fixed: fixed.clone(), reason })
        })
        .collect()
}

/// Errors and warnings that were not there before. A finding whose subject was renamed, or that lost members, is known
/// by its check and its sentence's subject pointer.
fn opened(first: &Report, last: &Report) -> Vec<Fixed> {
    let fingerprints: BTreeSet<&str> = first.findings.iter().map(|f| f.fingerprint.as_str()).collect();
    let places: BTreeSet<(&str, &str)> =
        first.findings.iter().map(|f| (f.check.as_str(), f.subject.pointer.as_str())).collect();
    last.findings
        .iter()
        .filter(|f| f.waiver.is_none() && f.severity != Severity::Note)
        .filter(|f| !fingerprints.contains(f.fingerprint.as_str()))
        .filter(|f| !places.contains(&(f.check.as_str(), f.subject.pointer.as_str())))
        .map(Fixed::of)
        .collect()
}

impl Repairs {
    pub(super) fn nothing(sha256: String) -> Self {
        Self {
            repairs: "condyle.repairs/1".into(),
            before_sha256: sha256.clone(),
            after_sha256: sha256,
            before: Counts::default(),
            after: Counts::default(),
            changes: Vec::new(),
            conflicts: Vec::new(),
            left: Vec::new(),
            review: Vec::new(),
            opened: Vec::new(),
        }
    }
}

impl Fix {
    /// How safe it is.
    pub fn applicability(&self) -> Applicability {
        match self {
            Self::Patch { applicability, .. } | Self::Repair { applicability, .. } => *applicability,
        }
    }

    /// What it does, in words.
    pub fn summary(&self) -> &str {
        match self {
            Self::Patch { summary, .. } | Self::Repair { summary, .. } => summary,
        }
    }
}
