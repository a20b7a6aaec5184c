//! Skin that stays where everything around it moves.

use std::collections::BTreeSet;

use serde_json::json;

use crate::check::wording::short;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, Subject, Unit};
use crate::model::{JointId, Reads};
use crate::report::Severity;
use crate::sweep::telling;
use crate::sweep::{ANGLE, Hole};

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "sweep/left-behind",
    summary: "a patch of skin stays where everything around it follows a joint",
    why: "skin that was left with another joint is pulled out of the limb like gum as soon as the limb moves",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("left_behind.md"),
    on: On::GLTF,
    bands: &[
        Band {
            name: "deep",
            case: "deep",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 0.002,
            unit: "% of the skin",
            severity: Some(Severity::Warning),
        },
        Band {
            name: "swapped",
            case: "swapped",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 60.0,
            unit: "% of the joint's own skin",
            severity: Some(Severity::Error),
        },
        Band {
            name: "hole",
            case: "",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 0.1,
            unit: "% of the skin",
            severity: Some(Severity::Note),
        },
    ],
    requires: &[Need::Joints, Need::Weights, Need::Mesh, Need::BendingSkin],
    reads: Reads::WEIGHTS.union(Reads::MESH).union(Reads::JOINTS).union(Reads::BIND),
    settings: &[],
    plantable: Plantable::Range { most: 3.0 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let sweep = ctx.facts.sweep();
    sink.left_out(sweep.left_out());
    let mut elsewhere: BTreeSet<JointId> = BTreeSet::new();
    for swapped in &sweep.swapped {
        let least = swapped.own.min(swapped.held) * 100.0;
        let Some(hit) = sink.judge("swapped", least) else { continue };
        let (joint, twin) = (ctx.name(swapped.joint), ctx.name(swapped.twin));
        let text = format!(
            "{joint} leaves its limb behind and moves that of {twin}: {} % of its own skin and {} % of all that it holds lie \
             nearer to {twin}, limit {} % of both",
            short(swapped.own * 100.0),
            short(swapped.held * 100.0),
            short(hit.bound())
        );
        let mut fact = Fact::new(Subject::Joint(swapped.joint), text)
            .evidence("nearer to its twin, the smaller share, percent", least, hit.limit, Unit::One)
            .evidence("own skin nearer to its twin, percent", swapped.own * 100.0, None, Unit::One)
            .evidence("skin times weight nearer to its twin, percent", swapped.held * 100.0, None, Unit::One)
            .related(Subject::Joint(swapped.twin), "twin");
        if let Some(place) = telling::place(ctx.facts.surface(), swapped.point) {
            fact = fact.related(place.subject(), "worst place");
        }
        sink.report(hit, fact);
        elsewhere.insert(swapped.joint);
    }
    // What is deep is told as that, and not again.
    let mut told: BTreeSet<u32> = BTreeSet::new();
    for (case, list) in [("deep", &sweep.deep), ("", &sweep.holes)] {
        // Holes of one joint, together.
        let mut holes: Vec<&Hole> = list
            .iter()
            .filter(|hole| !told.contains(&hole.points[0]))
            // What a joint holds that was told to have another's skin is part of that.
            .filter(|hole| hole.owner.is_none_or(|owner| !elsewhere.contains(&owner)))
            .collect();
        holes.sort_by_key(|hole| (hole.posed, hole.points[0]));
        for group in holes.chunk_by(|a, b| a.posed == b.posed) {
            if tell(ctx, sink, case, group) {
                told.extend(group.iter().map(|hole| hole.points[0]));
            }
        }
    }
}

/// Reports the holes of one joint, if they break a limit of `case`.
fn tell(ctx: &Context<'_>, sink: &mut Sink<'_>, case: &str, group: &[&Hole]) -> bool {
    let surface = ctx.facts.surface();
    let largest = group.iter().copied().reduce(|a, b| if b.share > a.share { b } else { a });
    let Some(worst) = largest else { return false };
    let Some(hit) = sink.judge(case, worst.share * 100.0) else { return false };
    let joint = worst.posed;
    let owner = worst.owner.map(|owner| ctx.name(owner));
    let at = telling::at(ctx.labels, surface, worst.peak);
    let text = message(ctx.name(joint), worst, hit.bound(), &at, owner);
    let points: Vec<u32> = group.iter().flat_map(|hole| hole.points.iter().copied()).collect();
    let mut fact = Fact::new(Subject::Joint(joint), text)
        .evidence("largest patch, percent of the skin", worst.share * 100.0, hit.limit, Unit::One)
        .evidence("patches", group.len() as f64, None, Unit::Count)
        .evidence("points", points.len() as f64, None, Unit::Count)
        .evidence("following there", worst.follows, None, Unit::One)
        .evidence("following around it", worst.around, None, Unit::One)
        .evidence("turn about any of its axes", ANGLE, None, Unit::Degree)
        .fix(smooth(ctx, &points));
    if let Some(owner) = worst.owner {
        fact = fact.related(Subject::Joint(owner), "holds it");
    }
    if let Some(place) = telling::place(surface, worst.peak) {
        fact = fact.related(place.subject(), "worst place");
    }
    sink.report(hit, fact);
    true
}

fn smooth(ctx: &Context<'_>, points: &[u32]) -> Option<Fix> {
    let mut list = telling::listed(ctx.facts.surface(), points, &json!({"fill": true}));
    let arguments = if list.len() == 1 { list.pop()? } else { json!({"primitives": list}) };
    Some(Fix::Repair {
        applicability: Applicability::Review,
        name: "smooth-weights".into(),
        arguments,
        summary: "give these vertices the weights of the skin around them".into(),
    })
}

fn message(joint: &str, worst: &Hole, limit: f64, at: &str, owner: Option<&str>) -> String {
    let held = owner.map_or(String::new(), |owner| format!(", held by {owner}"));
    format!(
        "{joint} leaves {} % of the skin behind in the middle of what it moves, around {at}{held}: it follows by {} %, what is \
         around it by {} %, limit {} % of the skin",
        short(worst.share * 100.0),
        short(worst.follows * 100.0),
        short(worst.around * 100.0),
        short(limit)
    )
}
