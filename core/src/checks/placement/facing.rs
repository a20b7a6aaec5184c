//! A character that does not face the way the document says.

use glam::{DQuat, DVec3};
use serde_json::json;

use crate::check::wording::deg;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, PatchOp, Subject, Unit, quaternion_json};
use crate::model::{JointId, PartKind, Reads, Side, Source};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "placement/facing",
    summary: "the character faces another way than +Z",
    why: "glTF characters face +Z, with their left at +X: one that does not walks sideways, and its sides are read wrongly",
    rule: Rule { title: "glTF 2.0", section: "3.4" },
    page: include_str!("facing.md"),
    on: On::BOTH,
    bands: &[
        Band {
            name: "turned",
            case: "turned",
            on: On::BOTH,
            bound: Bound::Above,
            limit: 20.0,
            unit: "deg",
            severity: Some(Severity::Note),
        },
        Band {
            name: "backward",
            case: "backward",
            on: On::GLTF,
            bound: Bound::Fact,
            limit: 0.0,
            unit: "",
            severity: Some(Severity::Note),
        },
    ],
    requires: &[Need::Joints, Need::Symmetry],
    reads: Reads::JOINTS.union(Reads::BIND),
    settings: &[],
    plantable: Plantable::Range { most: 90.0 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

/// A foot lies in the lowest part of the character.
const LOW: f64 = 0.15;

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let Some(plane) = ctx.facts.mirror() else { return };
    let level = DVec3::new(plane.normal.x, 0.0, plane.normal.z);
    let Some(across) = level.try_normalize() else { return };
    let off = across.x.abs().clamp(0.0, 1.0).acos().to_degrees();
    if let Some(hit) = sink.judge("turned", off) {
        let text = turned(off, hit.bound());
        let fact = Fact::new(Subject::Rig, text)
            .evidence("angle between the mirror plane's normal and x", off, hit.limit, Unit::Degree)
            .fix(turn(ctx, forward(ctx, across)));
        sink.report(hit, fact);
        return;
    }
    // Plans say which way they face.
    if ctx.rig.source == Source::Plan || !backward(ctx) {
        return;
    }
    if let Some(hit) = sink.breach("backward") {
        sink.report(hit, Fact::new(Subject::Rig, BACKWARD.to_owned()).fix(turn(ctx, DVec3::NEG_Z)));
    }
}

/// The way it faces, level: by its feet, else by its sides, else the smaller turn.
fn forward(ctx: &Context<'_>, across: DVec3) -> DVec3 {
    let ahead = across.cross(DVec3::Y);
    let feet = feet(ctx).map(|way| way.dot(ahead)).sum::<f64>();
    let sides: f64 = sided(ctx)
        .map(|(joint, left)| {
            let place = ctx.facts.mirror().map_or(0.0, |plane| plane.distance(ctx.facts.origin(joint)));
            let place = if ctx.facts.mirror().is_some_and(|plane| plane.normal.dot(across) < 0.0) {
                -place
            } else {
                place
            };
            if left { place } else { -place }
        })
        .sum();
    let vote = if feet.abs() > 1e-9 {
        feet
    } else if sides.abs() > 1e-9 {
        sides
    } else {
        ahead.z
    };
    if vote < 0.0 { -ahead } else { ahead }
}

/// Feet point to −Z, and no name says that left is at +X.
fn backward(ctx: &Context<'_>) -> bool {
    let ways: Vec<f64> = feet(ctx).map(|way| way.z).collect();
    if ways.len() < 2 || ways.iter().any(|z| *z > -0.7) {
        return false;
    }
    sided(ctx).all(|(joint, left)| (ctx.facts.origin(joint).x < 0.0) == left)
}

/// Twins whose side is said, by part or by name: whether it is the left.
fn sided<'a>(ctx: &'a Context<'_>) -> impl Iterator<Item = (JointId, bool)> + 'a {
    let say = |joint: JointId| {
        let part = ctx.rig.joints[joint.index()].part;
        let declared = part.and_then(|part| ctx.rig.parts[part.index()].side);
        match declared.or_else(|| ctx.facts.names().side(joint))? {
            Side::Left => Some((joint, true)),
            Side::Right => Some((joint, false)),
            Side::Centre => None,
        }
    };
    ctx.facts.twins().pairs.iter().flat_map(|(a, b)| [*a, *b]).filter_map(say)
}

/// Level directions of segments that lie on the ground, of twins only: toes, not tails.
fn feet<'a>(ctx: &'a Context<'_>) -> impl Iterator<Item = DVec3> + 'a {
    let facts = ctx.facts;
    let size = facts.size();
    let low = size.low.y + LOW * (size.high.y - size.low.y);
    facts.twins().pairs.iter().flat_map(|(a, b)| [*a, *b]).filter_map(move |joint| {
        let tip = &facts.tips()[joint.index()];
        let (from, to) = (facts.origin(joint), tip.point);
        let along = to - from;
        let level = DVec3::new(along.x, 0.0, along.z);
        let leg = ctx.rig.joints[joint.index()]
            .part
            .and_then(|part| ctx.rig.parts[part.index()].kind)
            .is_none_or(|kind| matches!(kind, PartKind::Leg | PartKind::Digit));
        (tip.known() && leg && from.y < low && to.y < low && level.length() > 0.5 * along.length())
            .then(|| level.try_normalize())
            .flatten()
    })
}

/// Turns the asset so that `from` becomes +Z.
fn turn(ctx: &Context<'_>, from: DVec3) -> Option<Fix> {
    let applicability = Applicability::Review;
    if ctx.rig.source == Source::Gltf {
        let angle = from.x.atan2(from.z);
        return Some(Fix::Repair {
            applicability,
            name: "turn-asset".into(),
            arguments: json!({"rotation": quaternion_json(DQuat::from_rotation_y(-angle))}),
            summary: "turn the asset to face +Z".into(),
        });
    }
    // A plan says which of its axes is forward; a turn between axes is no declaration's matter, and a body beside it
    // is turned by nobody.
    let own = ctx.rig.frame.turn_to_plan(DQuat::IDENTITY) * from;
    let axes = [("x", DVec3::X), ("y", DVec3::Y), ("z", DVec3::Z)];
    let name = |way: DVec3| {
        axes.iter().find_map(|(name, axis)| {
            let dot = axis.dot(way);
            (dot.abs() > 0.99).then(|| format!("{}{name}", if dot < 0.0 { '-' } else { '+' }))
        })
    };
    let up = name(ctx.rig.frame.turn_to_plan(DQuat::IDENTITY) * DVec3::Y)?;
    let forward = name(own)?;
    ctx.rig.body.is_none().then(|| Fix::Patch {
        applicability,
        summary: format!("declare that the plan faces {forward}"),
        patch: vec![PatchOp::set("/frame", json!({"up": up, "forward": forward}))],
    })
}

const BACKWARD: &str = "the character faces −Z: its feet point there, and its left is at −X";

fn turned(off: f64, limit: f64) -> String {
    format!("the character is turned by {} from facing along z (limit {})", deg(off), deg(limit))
}
