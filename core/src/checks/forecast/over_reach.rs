//! Skin that a joint would pull from too far away.

use glam::{DQuat, DVec3};
use serde_json::{Map, Value, json};

use crate::bind::TrialBind;
use crate::bind::brace::{Brace, propose};
use crate::bind::reach::Beyond;
use crate::check::wording::{length, short};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability, remedy};
use crate::finding::{Applicability, Fact, Fix, PatchOp, Subject, Unit, quaternion_json, vector_json};
use crate::model::{JointId, Reads, Side};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "forecast/over-reach",
    summary: "a joint would pull skin from too far away",
    why: "the skin follows a joint that it does not lie around, and is dragged when that joint turns",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("over_reach.md"),
    on: On::PLAN,
    bands: &[
        Band {
            name: "behind",
            case: "behind",
            on: On::PLAN,
            bound: Bound::Above,
            limit: 0.005,
            unit: "share of the body",
            severity: Some(Severity::Warning),
        },
        Band {
            name: "beyond",
            case: "beyond",
            on: On::PLAN,
            bound: Bound::Above,
            limit: 0.05,
            unit: "share of the body",
            severity: Some(Severity::Note),
        },
    ],
    requires: &[Need::Body, Need::TrialBind],
    reads: Reads::JOINTS.union(Reads::MESH),
    settings: &[],
    plantable: Plantable::Boolean,
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

/// Body radii beyond the end.
const BEYOND: f64 = 3.0;
/// Braces that are looked for in one run: each costs several binds.
const BRACES: usize = 4;

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let Ok(bind) = ctx.facts.trial_bind() else { return };
    let mut behind: Vec<(usize, Beyond)> = bind.behind().into_iter().enumerate().collect();
    behind.sort_by(|a, b| b.1.area.total_cmp(&a.1.area).then(a.0.cmp(&b.0)));
    let ends = bind.beyond(BEYOND);
    let limits = bind.limits();
    let mut told = vec![false; bind.joints.len()];
    let mut braces = 0;
    for (slot, beyond) in behind {
        let joint = bind.joints[slot];
        let share = beyond.area / bind.graph.area;
        let Some(hit) = sink.judge("behind", share) else { continue };
        told[slot] = true;
        let text = message(
            ctx.name(joint),
            "behind its origin",
            &beyond,
            share,
            limits[slot].radii,
            hit.bound(),
            bind.s,
        );
        let mut fact = stated(Fact::new(Subject::Joint(joint), text), bind, &beyond, share, hit.limit);
        let brace = (braces < BRACES).then(|| ctx.facts.solid()).flatten();
        if let Some(brace) = brace.and_then(|body| propose(bind, body, slot as u32, ctx.observer)) {
            braces += 1;
            fact = fact
                .evidence(
                    "share of the body left with a brace",
                    brace.after / bind.graph.area,
                    None,
                    Unit::One,
                )
                .length("length of the brace", brace.from.distance(brace.to), None, bind.s)
                .fix(patch(ctx, joint, &brace));
        }
        sink.report(hit, fact);
    }
    for (slot, beyond) in ends.iter().enumerate().filter(|(slot, _)| !told[*slot]) {
        let joint = bind.joints[slot];
        let share = beyond.area / bind.graph.area;
        let Some(hit) = sink.judge("beyond", share) else { continue };
        let text = message(ctx.name(joint), "beyond its end", beyond, share, BEYOND, hit.bound(), bind.s);
        sink.report(hit, stated(Fact::new(Subject::Joint(joint), text), bind, beyond, share, hit.limit));
    }
}

fn stated(fact: Fact, bind: &TrialBind, beyond: &Beyond, share: f64, limit: Option<f64>) -> Fact {
    fact.evidence("share of the body", share, limit, Unit::One)
        .length("farthest skin", beyond.distance, None, bind.s)
        .evidence("farthest skin in body radii", beyond.ratio, None, Unit::One)
        .confidence(bind.confidence())
}

/// Adds the brace, hanging from the joint's parent, as a part of its own.
fn patch(ctx: &Context<'_>, joint: JointId, brace: &Brace) -> Fix {
    let rig = ctx.rig;
    let name = free_name(ctx, joint);
    let parent = ctx.facts.tree().parent[joint.index()].unwrap_or(joint);
    let point = |place: DVec3| vector_json(rig.frame.point_to_plan(place));
    let mut made = Map::new();
    made.insert("name".into(), json!(name));
    made.insert("origin".into(), point(brace.from));
    made.insert("tip".into(), point(brace.to));
    made.insert("parent".into(), json!(rig.joints[parent.index()].name));
    if rig.joints.iter().any(|joint| joint.rotation.is_some()) {
        let axis = ctx.facts.long_axis().map_or(DVec3::Y, |axis| axis.vector());
        let along = (brace.to - brace.from).normalize_or(axis);
        let turn = rig.frame.turn_to_plan(DQuat::from_rotation_arc(axis, along));
        made.insert("orientation".into(), quaternion_json(turn));
    }
    let mut part = Map::new();
    part.insert("name".into(), json!(name));
    part.insert("kind".into(), json!("brace"));
    let side = remedy::part_of(rig, joint).and_then(|part| rig.parts[part.index()].side);
    if let Some(side) = side {
        let word = match side {
            Side::Left => "left",
            Side::Right => "right",
            Side::Centre => "centre",
        };
        part.insert("side".into(), json!(word));
    }
    part.insert("joints".into(), json!([name]));
    let part = if rig.parts.is_empty() {
        PatchOp::set("/parts", json!([Value::Object(part)]))
    } else {
        PatchOp::set("/parts/-", Value::Object(part))
    };
    Fix::Patch {
        applicability: Applicability::Review,
        summary: format!("add the brace {name} below {}", ctx.name(parent)),
        patch: vec![PatchOp::set("/joints/-", Value::Object(made)), part],
    }
}

/// A name that neither a joint nor a part has; the joint's own name last, so that its side stays where it is.
fn free_name(ctx: &Context<'_>, joint: JointId) -> String {
    let rig = ctx.rig;
    let own = rig.joints[joint.index()].name.as_deref().unwrap_or("joint");
    let taken = |name: &str| {
        rig.joints.iter().any(|joint| joint.name.as_deref() == Some(name))
            || rig.parts.iter().any(|part| part.name == name)
    };
    let numbered = (2..).map(|number| format!("brace_{number}_{own}"));
    // There are fewer names than joints and parts together.
    std::iter::once(format!("brace_{own}")).chain(numbered).find(|name| !taken(name)).unwrap_or_default()
}

fn message(name: &str, place: &str, beyond: &Beyond, share: f64, radii: f64, limit: f64, s: f64) -> String {
    format!(
        "{name} would pull skin {place} from up to {}: {} % of the body lies beyond {} body radii (limit {} %)",
        length(beyond.distance, s),
        short(share * 100.0),
        short(radii),
        short(limit * 100.0)
    )
}
