//! Runs the selected checks over a rig and makes the report.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::panic::{AssertUnwindSafe, catch_unwind};

use jiff::civil::Date;
use sha2::{Digest, Sha256};

use super::profile::hex;
use super::registry::{CATALOGUE_VERSION, CHECKS, find};
use super::{Context, Descriptor, Labels, Profile, Sink, Stability, Unknown, Waiver, WaiverError};
use crate::facts::Facts;
use crate::finding::Fact;
use crate::intake::Intake;
use crate::model::{Reads, Rig, Source};
use crate::report::{
    Approximation, Counts, FailOn, Finding, Gate, InputSummary, NotRun, NotRunStatus, RelatedRef, Report,
    Selection, Severity, SourceRef, Truncation, Verdict,
};

/// Findings that a report lists per check.
const SHOWN_PER_CHECK: usize = 50;

/// What is asked of a run.
#[derive(Debug, Clone)]
pub struct Request<'a> {
    /// The profile.
    pub profile: &'a Profile,
    /// Ids or families; empty means all.
    pub only: Vec<String>,
    /// Ids or families left out.
    pub skip: Vec<String>,
    /// What closes the gate.
    pub fail_on: FailOn,
    /// The date of judgement, UTC.
    pub as_of: Date,
    /// Waivers from outside the input (a side file, the service).
    pub waivers: Vec<Waiver>,
    /// Whether waivers inside the input count.
    pub honour_inline_waivers: bool,
    /// Findings listed per check; the rest is counted.
    pub shown_per_check: usize,
}

impl<'a> Request<'a> {
    /// Everything, under one profile.
    pub fn all(profile: &'a Profile, as_of: Date) -> Self {
        Self {
            profile,
            only: Vec::new(),
            skip: Vec::new(),
            fail_on: FailOn::Error,
            as_of,
            waivers: Vec::new(),
            honour_inline_waivers: true,
            shown_per_check: SHOWN_PER_CHECK,
        }
    }
}

/// A request that cannot be run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum RequestError {
    /// `only` or `skip` names no check and no family.
    UnknownCheck(Unknown),
    /// A waiver inside the input cannot be read.
    Waiver(WaiverError),
}

/// Watches a run: told what starts and ends, asked whether to go on.
pub trait Observer {
    /// A check begins.
    fn started(&self, _id: &'static str) {}
    /// A check ends.
    fn finished(&self, _id: &'static str) {}
    /// Whether the caller has gone away.
    fn cancelled(&self) -> bool {
        false
    }
}

/// Nobody watches.
#[derive(Debug, Clone, Copy, Default)]
pub struct Unobserved;

impl Observer for Unobserved {}

/// Runs the checks. The same intake, request and catalogue give the same report, byte for byte.
///
/// # Errors
/// Unknown ids in the request, and waivers in the input that cannot be read.
pub fn run(intake: &Intake, request: &Request<'_>, observer: &dyn Observer) -> Result<Report, RequestError> {
    for id in request.only.iter().chain(&request.skip) {
        if !CHECKS.iter().any(|check| check.family() == id) {
            find(id).map_err(RequestError::UnknownCheck)?;
        }
    }
    let mut waivers = request.waivers.clone();
    for list in [&intake.plan, &intake.gltf_extras].into_iter().flatten().filter_map(|doc| doc.get("waivers"))
    {
        let mut inline = Waiver::read_list(list).map_err(RequestError::Waiver)?;
        for waiver in &mut inline {
            waiver.counts = request.honour_inline_waivers;
        }
        waivers.append(&mut inline);
    }

    let rig = &intake.rig;
    let facts = Facts::new(rig);
    let labels = Labels::new(rig);
    let mut not_run = Vec::new();
    let mut found: Vec<(&'static Descriptor, Vec<(Severity, Fact)>)> = Vec::new();
    for (index, check) in CHECKS.iter().enumerate() {
        let skip = |status, reason: String| NotRun { check: check.id.to_owned(), status, reason };
        let named = |list: &[String]| list.iter().any(|id| id == check.id || id == check.family());
        let settings = request.profile.settings(index);
        if (!request.only.is_empty() && !named(&request.only)) || named(&request.skip) {
            not_run.push(skip(NotRunStatus::Disabled, "not selected by the request".into()));
        } else if !settings.enabled || settings.bands.iter().all(|band| band.severity.is_none()) {
            not_run
                .push(skip(NotRunStatus::Disabled, format!("off in the profile {}", request.profile.name)));
        } else if !check.runs_on(rig.source) {
            let what = match rig.source {
                Source::Plan => "the input is a plan",
                Source::Gltf => "the input is a glTF",
            };
            not_run.push(skip(NotRunStatus::NotApplicable, what.into()));
        } else if observer.cancelled() {
            not_run.push(skip(NotRunStatus::Cancelled, "the caller went away".into()));
        } else {
            let unread = unread_reasons(rig, check.reads);
            if let Some(lack) = check.requires.iter().find_map(|need| need.met(&facts).err()) {
                not_run.push(match &unread {
                    Some(reason) => skip(NotRunStatus::Prerequisite, reason.clone()),
                    None => skip(NotRunStatus::NotApplicable, lack.into()),
                });
                continue;
            }
            if let Some(reason) = unread {
                not_run
                    .push(skip(NotRunStatus::Prerequisite, format!("ran on what could be read; {reason}")));
            }
            observer.started(check.id);
            let mut sink = Sink::new(check, settings, rig.source);
            let context = Context { rig, facts: &facts, labels: &labels, settings, as_of: request.as_of };
            let outcome = catch_unwind(AssertUnwindSafe(|| {
                (check.run)(&context, &mut sink);
                sink.finish()
            }));
            match outcome {
                Ok(list) => found.push((check, list)),
                Err(_) => {
                    let incident =
                        hex(&Sha256::digest(format!("{}\0{}", check.id, intake.sha256)))[..12].to_owned();
                    not_run.push(skip(NotRunStatus::Failed, format!("a bug of ours, incident {incident}")));
                }
            }
            observer.finished(check.id);
        }
    }
    Ok(assemble(intake, request, &labels, found, not_run, &waivers))
}

fn unread_reasons(rig: &Rig, reads: Reads) -> Option<String> {
    let body = rig.body.iter().flat_map(|body| &body.unread);
    let mut reasons: Vec<&str> = rig
        .unread
        .iter()
        .chain(body)
        .filter(|unread| unread.reads.intersects(reads))
        .map(|unread| unread.reason.as_str())
        .collect();
    reasons.dedup();
    let total = reasons.len();
    reasons.truncate(3);
    (total > 0).then(|| {
        let more = if total > 3 { format!(" and {} more", total - 3) } else { String::new() };
        format!("{}{more}", reasons.join("; "))
    })
}

fn assemble(
    intake: &Intake,
    request: &Request<'_>,
    labels: &Labels,
    found: Vec<(&'static Descriptor, Vec<(Severity, Fact)>)>,
    not_run: Vec<NotRun>,
    waivers: &[Waiver],
) -> Report {
    let mut counts = Counts::default();
    let mut findings = Vec::new();
    let mut truncated = BTreeMap::new();
    let mut ignored = Vec::new();
    for (check, mut facts) in found {
        facts.sort_by(|a, b| (a.0, &a.1.subject).cmp(&(b.0, &b.1.subject)));
        let total = facts.len();
        let mut seen: BTreeMap<String, u32> = BTreeMap::new();
        for (index, (severity, fact)) in facts.into_iter().enumerate() {
            let severity = if check.stability == Stability::Preview { Severity::Note } else { severity };
            let subject = labels.refer(&fact.subject);
            let covering: Vec<&Waiver> = waivers
                .iter()
                .filter(|w| !w.expired(request.as_of) && w.covers(check.id, &subject.name))
                .collect();
            let waiver = covering.iter().find(|w| w.counts);
            if waiver.is_none() {
                ignored.extend(covering.iter().map(|w| w.wire().clone()));
            }
            match (waiver, severity) {
                (Some(_), _) => counts.waived += 1,
                (None, Severity::Error) => counts.error += 1,
                (None, Severity::Warning) => counts.warning += 1,
                (None, Severity::Note) => counts.note += 1,
            }
            if index >= request.shown_per_check {
                continue;
            }
            let mut identity = format!("{}\0{}\0{}", check.id, subject.kind, subject.name);
            for related in fact.related.iter().filter(|r| r.identity) {
                identity.push('\0');
                identity.push_str(&labels.name(&related.subject));
            }
            let repeat = seen.entry(identity.clone()).or_default();
            *repeat += 1;
            if *repeat > 1 {
                let _ = write!(identity, "\0#{repeat}");
            }
            findings.push(Finding {
                fingerprint: hex(&Sha256::digest(identity))[..32].to_owned(),
                check: check.id.to_owned(),
                severity,
                subject,
                related: fact
                    .related
                    .iter()
                    .map(|related| {
                        let to = labels.refer(&related.subject);
                        RelatedRef {
                            kind: to.kind,
                            name: to.name,
                            pointer: to.pointer,
                            relation: related.relation.to_owned(),
                        }
                    })
                    .collect(),
                message: fact.message,
                why: check.why.to_owned(),
                source: SourceRef {
                    title: check.rule.title.to_owned(),
                    section: check.rule.section.to_owned(),
                },
                evidence: fact.evidence,
                fix: fact.fix,
                confidence: fact.confidence,
                waiver: waiver.map(|w| w.wire().clone()),
            });
        }
        if total > request.shown_per_check {
            truncated.insert(
                check.id.to_owned(),
                Truncation { shown: request.shown_per_check as u64, total: total as u64 },
            );
        }
    }
    findings.sort_by_key(|finding| finding.severity);
    ignored.dedup();
    let verdict = match counts {
        Counts { error: 1.., .. } => Verdict::Fail,
        Counts { warning: 1.., .. } => Verdict::Warn,
        _ => Verdict::Pass,
    };
    let passed = match request.fail_on {
        FailOn::Error => verdict != Verdict::Fail,
        FailOn::Warning => verdict == Verdict::Pass,
        FailOn::Never => true,
    };
    Report {
        report: "condyle.report/1".into(),
        verdict,
        gate: Gate { fail_on: request.fail_on, passed },
        counts,
        profile: request.profile.reference(),
        catalogue: CATALOGUE_VERSION.into(),
        as_of: request.as_of,
        selection: Selection { only: request.only.clone(), skip: request.skip.clone() },
        input: summary(intake),
        findings,
        ignored_waivers: ignored,
        truncated,
        approximations: intake
            .approximations
            .iter()
            .map(|(what, amount)| Approximation { what: what.clone(), amount: *amount })
            .collect(),
        not_run,
    }
}

fn summary(intake: &Intake) -> InputSummary {
    let rig = &intake.rig;
    let meshes = rig.body.as_deref().unwrap_or(rig);
    InputSummary {
        kind: intake.kind.to_owned(),
        files: intake.files.clone(),
        sha256: intake.sha256.clone(),
        joints: rig.joints.len() as u64,
        skins: meshes.skins.len() as u64,
        vertices: meshes
            .meshes
            .iter()
            .flat_map(|mesh| &mesh.primitives)
            .map(|primitive| primitive.positions.len() as u64)
            .sum(),
        clips: meshes.clips.len() as u64,
    }
}
