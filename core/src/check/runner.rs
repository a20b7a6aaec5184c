//! Runs the selected checks over a rig and makes the report.

use std::cell::OnceCell;
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::panic::{AssertUnwindSafe, catch_unwind};

use jiff::civil::Date;
use sha2::{Digest, Sha256};

use super::answers::known;
use super::profile::Override;
use super::profile::hex;
use super::registry::{CHECKS, find};
use super::waiver::{MOST as MOST_WAIVERS, UNWAIVABLE};
use super::wording::length;
use super::{
    CheckSettings, Context, Descriptor, Given, Labels, Need, Profile, Sink, Stability, Unknown, Waiver,
    WaiverError, WaiverUse,
};
use crate::bind::{self, Refusal, TrialBind};
use crate::facts::Facts;
use crate::finding::{Fact, Subject};
use crate::intake::Intake;
use crate::model::{Reads, Rig, Source};
use crate::report::{
    Approximation, Counts, FailOn, Finding, Gate, InputSummary, NotRun, NotRunStatus, RelatedRef, Report,
    Selection, Severity, SourceRef, Truncation, Verdict,
};
use crate::sweep::{Asked, declared};

/// The family that poses every joint: it runs where it is asked for.
const SWEEP: &str = "sweep";
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
    /// The reference skeleton to conform to, if one was given.
    pub reference: Option<&'a Rig>,
    /// Whether the pose sweep runs; unless said, where `only` names it or the profile asks for it.
    pub sweep: Option<bool>,
    /// Whether the sweep measures the poses of the asset's own clips, too.
    pub clips: bool,
    /// Influences per vertex that a forecast keeps; unless said, as many as the profile's target reads.
    pub influences: Option<usize>,
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
            reference: None,
            sweep: None,
            clips: false,
            influences: None,
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
pub trait Observer: Sync {
    /// A check begins.
    fn started(&self, _id: &'static str) {}
    /// A check ends.
    fn finished(&self, _id: &'static str) {}
    /// So many joints of so many are swept; told from several threads.
    fn joints(&self, _done: u64, _of: u64) {}
    /// So much of so much of a trial bind is done; told from several threads.
    fn binding(&self, _done: u64, _of: u64) {}
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
    run_then(intake, request, observer, |_| ()).map(|(report, ())| report)
}

/// The same, and something else from the facts, which are computed but once.
///
/// # Errors
/// As [`run`].
pub fn run_then<T>(
    intake: &Intake,
    request: &Request<'_>,
    observer: &dyn Observer,
    then: impl FnOnce(&Facts<'_>) -> T,
) -> Result<(Report, T), RequestError> {
    for id in request.only.iter().chain(&request.skip) {
        if !CHECKS.iter().any(|check| check.family() == id) {
            find(id).map_err(RequestError::UnknownCheck)?;
        }
    }
    let waivers = collect(intake, request).map_err(RequestError::Waiver)?;
    let met = OnceCell::new();
    let rig = &intake.rig;
    let facts = Facts::new(rig).with_answers(known(intake, request.profile));
    let reference = request.reference.map(Facts::new);
    let labels = Labels::new(rig).with_waivers(&waivers);
    let body = facts.body().map(|facts| (facts, Labels::of_body(facts.rig())));
    let asked = Asked {
        blend: request.profile.blend,
        people: request.profile.judges_people(),
        clips: request.clips,
        told: facts.body().map(|body| declared(&facts, body)).unwrap_or_default(),
    };
    let mut not_run = Vec::new();
    let mut found: Vec<Found<'_>> = Vec::new();
    // What is said about waivers needs to know what they covered: that family runs last.
    let (last, first): (Vec<_>, Vec<_>) =
        CHECKS.iter().enumerate().partition(|(_, check)| check.family() == UNWAIVABLE);
    for (index, check) in first.into_iter().chain(last) {
        let waivers: &[WaiverUse] = if check.family() == UNWAIVABLE {
            met.get_or_init(|| meet(&waivers, &found, &not_run))
        } else {
            &waivers
        };
        let skip = |status, reason: String| NotRun { check: check.id.to_owned(), status, reason };
        let named = |list: &[String]| list.iter().any(|id| id == check.id || id == check.family());
        let settings = request.profile.settings(index);
        let overrides: Vec<&Override> = request.profile.overrides_of(index).collect();
        let on = |settings: &CheckSettings| {
            settings.enabled && settings.bands.iter().any(|band| band.severity.is_some())
        };
        let (rig, facts, labels) = match &body {
            Some((facts, labels)) if looks_at_body(check, rig) => (facts.rig(), *facts, labels),
            _ => (rig, &facts, &labels),
        };
        if (!request.only.is_empty() && !named(&request.only)) || named(&request.skip) {
            not_run.push(skip(NotRunStatus::Disabled, "not selected by the request".into()));
        } else if !request.profile.catalogue().has(index) {
            let pinned = request.profile.catalogue().version();
            let reason = format!("came with the catalogue {}; the run is pinned to {pinned}", check.since);
            not_run.push(skip(NotRunStatus::Disabled, reason));
        } else if !on(settings) && !overrides.iter().any(|one| on(&one.settings)) {
            not_run
                .push(skip(NotRunStatus::Disabled, format!("off in the profile {}", request.profile.name)));
        } else if check.family() == SWEEP
            && !request.sweep.unwrap_or(request.profile.sweep || named(&request.only))
        {
            not_run.push(skip(NotRunStatus::Disabled, "the pose sweep was not asked for".into()));
        } else if !check.runs_on(rig.source) {
            let what = match rig.source {
                Source::Plan => "the input is a plan",
                Source::Gltf => "the input is a glTF",
            };
            not_run.push(skip(NotRunStatus::NotApplicable, what.into()));
        } else if observer.cancelled() {
            not_run.push(skip(NotRunStatus::Cancelled, "the caller went away".into()));
        } else {
            let given = Given {
                waivers,
                reference: reference.as_ref(),
                reference_name: request.profile.reference_skeleton.as_deref(),
                naming: &request.profile.naming,
            };
            if check.family() == SWEEP && !facts.pose(&asked, observer) {
                not_run.push(skip(NotRunStatus::Cancelled, "the caller went away".into()));
                continue;
            }
            if binds(check, facts) && !facts.bind_on_trial(forecast(request), observer) {
                not_run.push(skip(NotRunStatus::Cancelled, "the caller went away".into()));
                continue;
            }
            let unread = unread_reasons(&intake.rig, check.reads);
            if let Some(lack) = check.requires.iter().find_map(|need| need.met(facts, &given).err()) {
                let missing = check.requires.contains(&Need::Reference) && given.reference_name.is_some();
                not_run.push(match &unread {
                    Some(reason) => skip(NotRunStatus::Prerequisite, reason.clone()),
                    None if missing || refused(check, facts) => skip(NotRunStatus::Prerequisite, lack.into()),
                    None => skip(NotRunStatus::NotApplicable, lack.into()),
                });
                continue;
            }
            if let Some(reason) = unread {
                not_run
                    .push(skip(NotRunStatus::Prerequisite, format!("ran on what could be read; {reason}")));
            }
            observer.started(check.id);
            // Limits are asked for before a subject is known, and told in messages: a check is run once under each
            // set of limits, and each run keeps the findings on the subjects its limits are for.
            let outcome = catch_unwind(AssertUnwindSafe(|| {
                let (mut all, mut left_out) = (Vec::new(), None);
                let whose = |subject: &Subject| overrides.iter().rposition(|one| one.matches(rig, subject));
                for (number, settings) in [(None, settings)]
                    .into_iter()
                    .chain(overrides.iter().enumerate().map(|(number, one)| (Some(number), &one.settings)))
                    .filter(|(_, settings)| on(settings))
                {
                    let mut sink = Sink::new(check, settings, rig.source);
                    let context =
                        Context { rig, facts, labels, settings, given, as_of: request.as_of, observer };
                    (check.run)(&context, &mut sink);
                    let (facts, rest) = sink.finish();
                    all.extend(facts.into_iter().filter(|(_, fact)| whose(&fact.subject) == number));
                    left_out = left_out.or(rest);
                }
                (all, left_out)
            }));
            match outcome {
                Ok((facts, left_out)) => {
                    found.push(Found { check, index, labels, facts });
                    if let Some(rest) = left_out {
                        not_run.push(skip(NotRunStatus::Prerequisite, format!("ran on a part: {rest}")));
                    }
                }
                Err(_) => {
                    let incident =
                        hex(&Sha256::digest(format!("{}\0{}", check.id, intake.sha256)))[..12].to_owned();
                    not_run.push(skip(NotRunStatus::Failed, format!("a bug of ours, incident {incident}")));
                }
            }
            observer.finished(check.id);
        }
    }
    found.sort_by_key(|one| one.check.id);
    not_run.sort_by(|a, b| a.check.cmp(&b.check));
    let other = then(&facts);
    let mut report = assemble(intake, request, found, not_run, &waivers);
    report.approximations.extend(facts.bound_on_trial().and_then(smaller_mesh));
    Ok((report, other))
}

/// What a check found, and how its subjects are called.
struct Found<'l> {
    check: &'static Descriptor,
    /// In the registry.
    index: usize,
    labels: &'l Labels,
    facts: Vec<(Severity, Fact)>,
}

/// A plan that comes with its body is checked as a plan, and its body's skin as a skin.
fn looks_at_body(check: &Descriptor, rig: &Rig) -> bool {
    rig.source == Source::Plan
        && !check.runs_on(Source::Plan)
        && check.runs_on(Source::Gltf)
        && check.reads.intersects(Reads::MESH | Reads::WEIGHTS | Reads::BIND)
}

/// How a forecast is made.
fn forecast(request: &Request<'_>) -> bind::Asked {
    let asked = request.profile.trial_bind();
    bind::Asked { influences: request.influences.unwrap_or(asked.influences), ..asked }
}

/// Whether a check needs a trial bind that can be tried.
fn binds(check: &Descriptor, facts: &Facts<'_>) -> bool {
    check.requires.contains(&Need::TrialBind) && facts.body().is_some()
}

/// Whether a check needs a forecast that the body is too much for.
fn refused(check: &Descriptor, facts: &Facts<'_>) -> bool {
    check.requires.contains(&Need::TrialBind)
        && facts.body().is_some()
        && facts.trial_bind().is_err_and(|refusal| !matches!(refusal, Refusal::NoSkin | Refusal::NoJoints))
}

/// That a forecast was made on fewer points, and what that changes.
fn smaller_mesh(bind: &TrialBind) -> Option<Approximation> {
    let reduced = bind.reduced.as_ref()?;
    let what = format!(
        "points of the skin that the forecast left out: it was made on {} of {}, from which they lie {} away on average, {} \
         at most",
        bind.graph.points.len(),
        reduced.points,
        length(reduced.mean, bind.s),
        length(reduced.largest, bind.s)
    );
    Some(Approximation { what, amount: reduced.points - bind.graph.points.len() as u64 })
}

/// The waivers of the request and of the input.
fn collect(intake: &Intake, request: &Request<'_>) -> Result<Vec<WaiverUse>, WaiverError> {
    let mut waivers = request.waivers.clone();
    for (pointer, list) in &intake.waivers {
        let mut inside = Waiver::read_inside(list, pointer)?;
        for waiver in &mut inside {
            waiver.counts = request.honour_inline_waivers;
        }
        waivers.append(&mut inside);
        // Each is matched against each finding, and a file can hold many lists.
        if waivers.len() > 2 * MOST_WAIVERS {
            let message = format!("{} waivers are more than {}", waivers.len(), 2 * MOST_WAIVERS);
            return Err(WaiverError { pointer: pointer.clone(), message });
        }
    }
    let met = |waiver: Waiver| WaiverUse {
        expired: waiver.expired(request.as_of),
        waiver,
        matched: false,
        judged: false,
    };
    Ok(waivers.into_iter().map(met).collect())
}

/// Notes which waivers cover a finding, and which could.
fn meet(waivers: &[WaiverUse], found: &[Found<'_>], not_run: &[NotRun]) -> Vec<WaiverUse> {
    let mut waivers = waivers.to_vec();
    for one in &mut waivers {
        // A check that does not apply has no findings; but a waiver that is about such checks alone may be meant for
        // another input that comes with the same file.
        let ran = found.iter().any(|was| one.waiver.means(was.check.id));
        let blocked = not_run
            .iter()
            .any(|idle| idle.status != NotRunStatus::NotApplicable && one.waiver.means(&idle.check));
        let unknown = !CHECKS.iter().any(|check| one.waiver.means(check.id));
        one.judged = unknown || (ran && !blocked);
        let list = found.iter().filter(|was| one.waiver.means(was.check.id));
        one.matched = list
            .flat_map(|was| was.facts.iter().map(move |(_, fact)| (was, fact)))
            .any(|(was, fact)| one.waiver.covers(was.check.id, &was.labels.name(&fact.subject)));
    }
    waivers
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
    found: Vec<Found<'_>>,
    not_run: Vec<NotRun>,
    waivers: &[WaiverUse],
) -> Report {
    let mut counts = Counts::default();
    let mut findings = Vec::new();
    let mut truncated = BTreeMap::new();
    let mut ignored = Vec::new();
    let catalogue = request.profile.catalogue();
    for Found { check, index, labels, mut facts } in found {
        let preview = check.stability == Stability::Preview || catalogue.previews(index);
        facts.sort_by(|a, b| (a.0, &a.1.subject).cmp(&(b.0, &b.1.subject)));
        let total = facts.len();
        let mut seen: BTreeMap<String, u32> = BTreeMap::new();
        for (index, (severity, fact)) in facts.into_iter().enumerate() {
            let severity = if preview { Severity::Note } else { severity };
            let subject = labels.refer(&fact.subject);
            let covering: Vec<&Waiver> = waivers
                .iter()
                .filter(|one| !one.expired)
                .map(|one| &one.waiver)
                .filter(|waiver| waiver.covers(check.id, &subject.name))
                .collect();
            let waiver = covering.iter().find(|w| w.counts);
            if waiver.is_none() {
                ignored.extend(covering.iter().map(|w| w.wire().clone()));
            }
            match (waiver, severity) {
                (Some(_), _) => counts.waived += 1,
                (None, severity) => counts.add(severity),
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
                            document: to.document,
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
    let mut listed = BTreeSet::new();
    ignored.retain(|waiver| {
        listed.insert((waiver.check.clone(), waiver.subject.clone(), waiver.reason.clone()))
    });
    let verdict = Verdict::of(&counts);
    let passed = request.fail_on.passes(verdict);
    Report {
        report: "condyle.report/1".into(),
        verdict,
        gate: Gate { fail_on: request.fail_on, passed },
        counts,
        profile: request.profile.reference(),
        catalogue: catalogue.version().to_owned(),
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
