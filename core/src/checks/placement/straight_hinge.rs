//! A knee or an elbow without a bend to start from.

use crate::check::remedy;
use crate::check::wording::deg;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Setting, Sink, Stability};
use crate::facts::Hinge;
use crate::finding::{Fact, Fix, Subject, Unit};
use crate::model::{JointId, PartKind, Reads};
use crate::report::Severity;
use glam::DVec3;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "placement/straight-hinge",
    summary: "a knee or elbow is straight at rest, or bent the wrong way",
    why: "a limb solver folds a hinge the way it is bent already; a straight one has no way and flips",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("straight_hinge.md"),
    on: On::BOTH,
    bands: &[
        Band {
            name: "bend",
            case: "bend",
            on: On::BOTH,
            bound: Bound::Below,
            limit: 1.0,
            unit: "deg",
            severity: Some(Severity::Warning),
        },
        Band {
            name: "against",
            case: "against",
            on: On::PLAN,
            bound: Bound::Above,
            limit: 1.0,
            unit: "deg",
            severity: Some(Severity::Warning),
        },
    ],
    requires: &[Need::Joints],
    reads: Reads::JOINTS.union(Reads::BIND),
    settings: &[Setting {
        name: "start",
        about: "the bend that the fix gives a straight hinge, degrees",
        default: 5.0,
    }],
    plantable: Plantable::Aimed {
        aim: 0.9,
        reason: "of a run with several long segments another joint is taken for the hinge once this one is straight",
        kind: &Plantable::Range { most: 0.0 },
    },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

struct Found {
    hinge: Hinge,
    bend: f64,
    against: bool,
}

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let found: Vec<Found> = ctx
        .facts
        .hinges()
        .iter()
        .filter_map(|hinge| {
            let bend = hinge.bend();
            let against = folds(ctx, hinge).is_some_and(|(way, _)| way < 0.0);
            let broken =
                sink.judge("bend", bend).is_some() || (against && sink.judge("against", bend).is_some());
            broken.then_some(Found { hinge: *hinge, bend, against })
        })
        .collect();
    // Twins with the same fault are one finding.
    let twins = ctx.facts.twins();
    for one in &found {
        let twin = twins.twin(one.hinge.mid).and_then(|twin| found.iter().find(|o| o.hinge.mid == twin));
        let right = twins.pairs.iter().any(|(_, right)| *right == one.hinge.mid);
        if twin.is_some() && right {
            continue;
        }
        let straight = sink.judge("bend", one.bend);
        let hit = straight.or_else(|| sink.judge("against", one.bend).filter(|_| one.against));
        let Some(hit) = hit else { continue };
        let mid = one.hinge.mid;
        let subject = twin.map_or(Subject::Joint(mid), |twin| Subject::Pair(mid, twin.hinge.mid));
        let also = twin.map(|twin| ctx.name(twin.hinge.mid));
        let text = message(ctx.name(mid), also, one.bend, straight.is_some(), hit.bound());
        let mut fact = Fact::new(subject, text).related(Subject::Joint(one.hinge.upper), "parent").evidence(
            "bend at rest",
            one.bend,
            hit.limit,
            Unit::Degree,
        );
        let mut hinges = vec![one.hinge];
        if let Some(twin) = twin {
            fact = fact.related(Subject::Joint(twin.hinge.mid), "twin");
            hinges.push(twin.hinge);
        }
        sink.report(hit, fact.fix(offset(ctx, &hinges)));
    }
}

/// Which way the declared range folds the hinge: how much the limb is bent that way now, degrees, and the world axis
/// about which it folds. Only where the plan gives bend axis, orientation and a range with a longer side.
fn folds(ctx: &Context<'_>, hinge: &Hinge) -> Option<(f64, DVec3)> {
    let joint = &ctx.rig.joints[hinge.mid.index()];
    let ([low, high], axis) = (joint.range.bend?, ctx.rig.declared_bend_axis?);
    joint.rotation?;
    let sign = if high >= 2.0 * -low {
        1.0
    } else if -low >= 2.0 * high {
        -1.0
    } else {
        return None;
    };
    let axis = ctx.facts.bind().joints[hinge.mid.index()].basis * axis * sign;
    let turn = hinge.normal().map_or(0.0, |normal| normal.dot(axis));
    // A bend about quite another axis is a matter of orientation.
    (turn.abs() > 0.5 || hinge.bend() < 1.0).then_some((turn * hinge.bend(), axis))
}

/// Moves the hinge out of the line so that it folds the way it should.
fn offset(ctx: &Context<'_>, hinges: &[Hinge]) -> Option<Fix> {
    let start = ctx.setting("start").to_radians();
    let moves: Vec<(JointId, DVec3)> = hinges
        .iter()
        .filter_map(|hinge| {
            let line = (hinge.stop - hinge.start).try_normalize()?;
            let foot = hinge.start + line * line.dot(hinge.at - hinge.start);
            let way = outward(ctx, hinge, line)?;
            // A small offset h bends by about h over each length.
            let (a, b) = (hinge.upper_length(), hinge.lower_length());
            (a > 0.0 && b > 0.0).then(|| (hinge.mid, foot + way * start / (1.0 / a + 1.0 / b)))
        })
        .collect();
    let summary = format!("move the hinge out of the line, to a bend of {}", deg(ctx.setting("start")));
    (moves.len() == hinges.len()).then(|| remedy::move_origins(ctx.facts, &moves, summary))
}

/// The unit direction in which the hinge stands out of the line of its limb: by its range, by the bend it has, by the
/// bend axis, or, for want of all, by anatomy (a knee forward, an elbow backward).
fn outward(ctx: &Context<'_>, hinge: &Hinge, line: DVec3) -> Option<DVec3> {
    let about = folds(ctx, hinge).map(|(_, axis)| axis);
    let about = about.or_else(|| hinge.normal().filter(|_| hinge.bend() > 0.1)).or_else(|| {
        let axis = ctx.rig.declared_bend_axis?;
        ctx.rig.joints[hinge.mid.index()].rotation?;
        Some(ctx.facts.bind().joints[hinge.mid.index()].basis * axis)
    });
    // A limb that is bent about n, that is upper × lower, stands out of its line along line × n.
    let by_axis = about.and_then(|axis| line.cross(axis).try_normalize());
    by_axis.or_else(|| {
        let arm = hinge.kind == Some(PartKind::Arm) || (hinge.kind.is_none() && line.x.abs() > 0.7);
        let way = if arm { DVec3::NEG_Z } else { DVec3::Z };
        (way - line * line.dot(way)).try_normalize()
    })
}

fn message(name: &str, twin: Option<&str>, bend: f64, straight: bool, limit: f64) -> String {
    let (who, verb) = match twin {
        Some(twin) => (format!("{name} and its twin {twin}"), "are"),
        None => (name.to_owned(), "is"),
    };
    if straight {
        format!("{who} {verb} straight at rest, bent by {} (limit {})", deg(bend), deg(limit))
    } else {
        format!("{who} {verb} bent by {} against the way the range folds (limit {})", deg(bend), deg(limit))
    }
}
