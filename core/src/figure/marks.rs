//! Findings by the place that they are marked at, numbered, the worst first.

use std::collections::BTreeMap;

use glam::DVec3;

use super::text::shown;
use crate::facts::Facts;
use crate::model::{JointId, NodeId, Rig};
use crate::report::{Finding, Report, Severity};

/// Places that a figure marks.
pub const MOST_PLACES: usize = 24;
/// Lines of findings that the key has.
const MOST_LINES: usize = 72;

/// Findings of one check at one place.
#[derive(Debug)]
pub(super) struct Line<'a> {
    pub(super) severity: Severity,
    pub(super) check: &'a str,
    /// Of the first of them.
    pub(super) message: &'a str,
    pub(super) fingerprints: Vec<&'a str>,
}

/// A place with its findings.
#[derive(Debug)]
pub(super) struct Mark<'a> {
    pub(super) name: String,
    pub(super) at: DVec3,
    pub(super) lines: Vec<Line<'a>>,
}

impl Mark<'_> {
    /// The worst of its findings.
    pub(super) fn severity(&self) -> Severity {
        self.lines.iter().map(|line| line.severity).min().unwrap_or(Severity::Note)
    }
}

/// What of a report is drawn, and what is not.
#[derive(Debug, Default)]
pub(super) struct Marks<'a> {
    /// The first is number 1.
    pub(super) places: Vec<Mark<'a>>,
    /// Findings at places beyond the limit, and how many those are.
    pub(super) more: (usize, usize),
    /// Findings that are about no place (a clip, a skin, the rig as a whole): how many by check.
    pub(super) placeless: BTreeMap<(Severity, &'a str), usize>,
    /// Findings that a waiver covers; they are not drawn.
    pub(super) waived: usize,
}

/// Findings at least as bad as `least` that no waiver covers.
pub(super) fn marks<'a>(facts: &Facts<'_>, report: &'a Report, least: Severity) -> Marks<'a> {
    let mut out = Marks::default();
    let mut known: BTreeMap<String, usize> = BTreeMap::new();
    let mut places: Vec<Mark<'a>> = Vec::new();
    for finding in report.findings.iter().filter(|finding| finding.severity <= least) {
        if finding.waiver.is_some() {
            out.waived += 1;
            continue;
        }
        let Some((key, at)) = place(facts, finding) else {
            *out.placeless.entry((finding.severity, finding.check.as_str())).or_default() += 1;
            continue;
        };
        let number = *known.entry(key).or_insert_with(|| {
            places.push(Mark { name: shown(&finding.subject.name), at, lines: Vec::new() });
            places.len() - 1
        });
        let lines = &mut places[number].lines;
        let same = |line: &&mut Line<'_>| line.check == finding.check && line.severity == finding.severity;
        match lines.iter_mut().find(same) {
            Some(line) => line.fingerprints.push(&finding.fingerprint),
            None => lines.push(Line {
                severity: finding.severity,
                check: &finding.check,
                message: &finding.message,
                fingerprints: vec![&finding.fingerprint],
            }),
        }
    }
    let mut lines = 0;
    for place in places {
        if out.places.len() < MOST_PLACES && lines + place.lines.len() <= MOST_LINES && out.more.1 == 0 {
            lines += place.lines.len();
            out.places.push(place);
        } else {
            let findings = place.lines.iter().map(|line| line.fingerprints.len()).sum::<usize>();
            out.more = (out.more.0 + findings, out.more.1 + 1);
        }
    }
    out
}

/// Where a finding is: the place of its subject, else of the first thing it also concerns. The key is the same for what
/// is marked together.
fn place(facts: &Facts<'_>, finding: &Finding) -> Option<(String, DVec3)> {
    let subject = &finding.subject;
    let own = spot(facts, &subject.kind, &subject.pointer, subject.document.as_deref());
    let related = finding.related.iter();
    let mut others = related.filter_map(|one| spot(facts, &one.kind, &one.pointer, one.document.as_deref()));
    let at = own.or_else(|| others.next())?;
    let key = match subject.kind.as_str() {
        "joint" | "segment" => format!("joint {}", subject.pointer),
        kind => format!("{kind} {}", subject.name),
    };
    Some((key, at))
}

fn spot(facts: &Facts<'_>, kind: &str, pointer: &str, document: Option<&str>) -> Option<DVec3> {
    let rig = match document {
        Some("body") => facts.body()?.rig(),
        _ => facts.rig(),
    };
    let mut steps = pointer.split('/').skip(1);
    let (list, index) = (steps.next()?, steps.next()?.parse::<usize>().ok()?);
    let at = match (list, kind) {
        ("joints", _) => joint(rig, JointId::new(index)),
        ("nodes", _) => Some(rig.nodes.get(index)?.world.w_axis.truncate()),
        ("parts", _) => part(rig, index),
        ("pieces", _) => {
            let piece = rig.pieces.get(index)?;
            piece.pivot.or_else(|| joint(rig, *piece.carried_by.as_ref().ok()?))
        }
        ("feet", _) => Some(rig.feet.get(index)?.contact),
        ("groups", _) => joint(rig, *rig.groups.get(index)?.joints.iter().flatten().next()?),
        ("animations", "channel") => {
            let clip = rig.clips.get(index)?;
            let channel = clip.channels.get(steps.nth(1)?.parse::<usize>().ok()?)?;
            node(rig, channel.node?)
        }
        _ => None,
    };
    at.filter(|at| at.is_finite())
}

fn joint(rig: &Rig, joint: JointId) -> Option<DVec3> {
    rig.joints.get(joint.index()).map(|joint| joint.origin())
}

fn node(rig: &Rig, node: NodeId) -> Option<DVec3> {
    rig.nodes.get(node.index()).map(|node| node.world.w_axis.truncate())
}

/// The joint of a part that is nearest to the middle of them.
fn part(rig: &Rig, index: usize) -> Option<DVec3> {
    let joints = rig.parts.get(index)?.joints.iter().flatten();
    let points: Vec<DVec3> = joints.filter_map(|one| joint(rig, *one)).filter(|p| p.is_finite()).collect();
    let middle = points.iter().sum::<DVec3>() / points.len().max(1) as f64;
    points.into_iter().min_by(|a, b| (*a - middle).length().total_cmp(&(*b - middle).length()))
}
