//! A joint that moves skin far from its own.

use std::collections::BTreeMap;

use rayon::prelude::*;
use serde_json::json;

use crate::body::StrayKind;
use crate::check::Hit;
use crate::check::remedy;
use crate::check::wording::{list, short};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, Subject, Unit};
use crate::model::{JointId, Reads, SkinId};
use crate::report::Severity;

/// Weights that hang together with the joint's own skin may fade out this far from it.
const FADES: f32 = 0.2;
/// A lighter weight than this that lies within so many times the joint's own reach is no far one.
const LIGHT: f32 = 0.5;
const WITHIN: f64 = 1.5;
/// Strangers' skin far away follows the joint by more than this, or it is only a soft end.
const STRANGE: f32 = 0.3;
/// Above this many limbs it is one finding.
const MOST_LIMBS: usize = 2;
/// Members listed with a finding.
const LISTED: usize = 32;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "skin/far-reach",
    summary: "a joint has weight on skin that other joints far away own",
    why: "a turn of the joint drags a patch of skin elsewhere on the body along",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("far_reach.md"),
    on: On::GLTF,
    bands: &[
        Band {
            name: "astray",
            case: "astray",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 0.1,
            unit: "1",
            severity: Some(Severity::Warning),
        },
        Band {
            name: "strangers",
            case: "strangers",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 3.0,
            unit: "R",
            severity: Some(Severity::Warning),
        },
        Band {
            name: "far",
            case: "far",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 5.0,
            unit: "R",
            severity: Some(Severity::Warning),
        },
    ],
    requires: &[Need::Joints, Need::Weights],
    reads: Reads::WEIGHTS.union(Reads::JOINTS).union(Reads::MESH),
    settings: &[],
    plantable: Plantable::Range { most: 0.9 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

#[derive(Default)]
struct Found {
    points: Vec<u32>,
    /// Weight, point and owner where it is worst.
    worst: Option<(f32, u32, JointId)>,
    /// The limit that is broken, and by what.
    hit: Option<(Hit, &'static str, f64)>,
}

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let mut found: BTreeMap<JointId, Found> = BTreeMap::new();
    for stray in ctx.facts.patches().strays.iter().filter(|stray| stray.kind == StrayKind::Astray) {
        let Some(hit) = sink.judge("astray", f64::from(stray.weight)) else { continue };
        if stray.weight < LIGHT && within(ctx, stray.joint, stray.peak) {
            continue;
        }
        let here = found.entry(stray.joint).or_default();
        if here.worst.is_none_or(|(worst, _, _)| worst < stray.weight) {
            here.worst = Some((stray.weight, stray.peak, stray.owner));
            here.hit = Some((hit, "astray", f64::from(stray.weight)));
        }
        here.points.extend_from_slice(&stray.points);
    }
    reach(ctx, sink, &mut found);
    for found in found.values_mut() {
        found.points.sort_unstable();
        found.points.dedup();
    }
    // Twins that do the same do it for one reason, and more than two such limbs are a fault of the whole bind.
    let twins = ctx.facts.twins();
    let twin = |joint: JointId| twins.twin(joint).filter(|twin| found.contains_key(twin));
    let first = |joint: JointId| twin(joint).is_none() || twins.pairs.iter().any(|(left, _)| *left == joint);
    let tops: Vec<JointId> = found.keys().copied().filter(|joint| first(*joint)).collect();
    if tops.len() > MOST_LIMBS {
        crowd(ctx, sink, &found);
        return;
    }
    for joint in tops {
        let other = twin(joint).filter(|other| *other != joint);
        // Of the two the heavier one is told.
        let weight = |joint: &JointId| found[joint].worst.map_or(0.0, |(weight, _, _)| weight);
        match other {
            Some(other) if weight(&other) > weight(&joint) => one(ctx, sink, other, Some(joint), &found),
            _ => one(ctx, sink, joint, other, &found),
        }
    }
}

/// Whether a point lies about as near to a joint as the joint's own skin does.
fn within(ctx: &Context<'_>, joint: JointId, point: u32) -> bool {
    let (surface, reach) = (ctx.facts.surface(), ctx.facts.reach());
    reach.radius[joint.index()].is_some_and(|radius| {
        reach.distance(ctx.facts.origin(joint), joint, surface.points[point as usize])
            <= WITHIN * radius.scale
    })
}

/// Skin that hangs together with the joint's own and still lies many radii away.
fn reach(ctx: &Context<'_>, sink: &Sink<'_>, found: &mut BTreeMap<JointId, Found>) {
    let (surface, skinning, reach) = (ctx.facts.surface(), ctx.facts.skinning(), ctx.facts.reach());
    let limits = [sink.limit("strangers"), sink.limit("far")];
    let Some(first) = limits.into_iter().flatten().min_by(f64::total_cmp) else { return };
    let far: Vec<(JointId, u32, f32, f64)> = (0..surface.points.len() as u32)
        .into_par_iter()
        .flat_map_iter(|point| {
            skinning.point_row(point).iter().filter_map(move |one| {
                let radius = reach.radius[one.joint.index()].filter(|_| one.weight > FADES)?;
                let place = surface.points[point as usize];
                let ratio = reach.distance(ctx.facts.origin(one.joint), one.joint, place) / radius.scale;
                (ratio > first).then_some((one.joint, point, one.weight, ratio))
            })
        })
        .collect();
    for (joint, point, weight, ratio) in far {
        let owner = JointId(skinning.dominant[point as usize]);
        let (case, hit) = match sink.judge("far", ratio) {
            Some(hit) => ("far", hit),
            None if weight > STRANGE && !reach.near(joint, owner) => match sink.judge("strangers", ratio) {
                Some(hit) => ("strangers", hit),
                None => continue,
            },
            None => continue,
        };
        let here = found.entry(joint).or_default();
        here.points.push(point);
        if here.hit.is_none_or(|(_, known, worst)| known != "astray" && worst < ratio) {
            here.worst = Some((weight, point, owner));
            here.hit = Some((hit, case, ratio));
        }
    }
}

fn one(
    ctx: &Context<'_>,
    sink: &mut Sink<'_>,
    joint: JointId,
    twin: Option<JointId>,
    all: &BTreeMap<JointId, Found>,
) {
    let found = &all[&joint];
    let (Some((weight, peak, owner)), Some((hit, case, measured))) = (found.worst, found.hit) else { return };
    let (surface, reach) = (ctx.facts.surface(), ctx.facts.reach());
    let part = surface.part_at(peak);
    let vertex = surface.members(peak)[0] - part.first_vertex;
    let place = surface.points[peak as usize];
    let metres = reach.distance(ctx.facts.origin(joint), joint, place);
    let steps = reach.steps(joint, owner, 64);
    let mesh = ctx.labels.name(&Subject::Vertices(part.mesh, part.primitive));
    let text = if case == "astray" {
        astray(ctx.name(joint), weight, &mesh, vertex, ctx.name(owner), steps, hit.bound())
    } else {
        far(ctx.name(joint), weight, &mesh, vertex, ctx.name(owner), measured, hit.bound())
    };
    let text = twin.map_or(text.clone(), |twin| format!("{text}, and its twin {} as well", ctx.name(twin)));
    let unit_limit = |name: &str| (case == name).then_some(hit.bound());
    let mut fact = Fact::new(Subject::Joint(joint), text)
        .evidence("weight", f64::from(weight), unit_limit("astray"), Unit::One)
        .length("distance to the joint's segment", metres, None, ctx.facts.s())
        .evidence("steps to the joint that owns the skin", f64::from(steps), None, Unit::Count)
        .evidence("points", found.points.len() as f64, None, Unit::Count)
        .related(Subject::Joint(owner), "owner")
        .related(Subject::Vertices(part.mesh, part.primitive), "skin")
        .fix(cut(ctx, std::iter::once(joint).chain(twin).map(|joint| (joint, &all[&joint]))));
    if let Some(twin) = twin {
        fact = fact.related(Subject::Joint(twin), "twin");
    }
    if let Some(radius) = reach.radius[joint.index()] {
        let limit = if case == "astray" { None } else { hit.limit };
        fact = fact.evidence("distance in R, the joint's own reach", metres / radius.scale, limit, Unit::One);
    }
    sink.report(hit, fact);
}

/// Many joints at once are one fault: of the whole bind, not of each joint.
fn crowd(ctx: &Context<'_>, sink: &mut Sink<'_>, found: &BTreeMap<JointId, Found>) {
    let first = found.iter().find_map(|(joint, found)| Some((*joint, found.hit?.0)));
    let Some((joint, hit)) = first else { return };
    let skin = ctx.facts.bind().slot[joint.index()].map_or(SkinId(0), |(skin, _)| skin);
    let text =
        many(&ctx.labels.name(&Subject::Skin(skin)), found.len(), &list(found.keys().map(|j| ctx.name(*j))));
    let points: usize = found.values().map(|found| found.points.len()).sum();
    let mut fact = Fact::new(Subject::Skin(skin), text)
        .evidence("joints", found.len() as f64, None, Unit::Count)
        .evidence("points", points as f64, None, Unit::Count);
    for joint in found.keys().take(LISTED) {
        fact = fact.related(Subject::Joint(*joint), "member");
    }
    sink.report(hit, fact.fix(cut(ctx, found.iter().map(|(joint, found)| (*joint, found)))));
}

/// Takes the joints' weights off their points.
fn cut<'f>(ctx: &Context<'_>, found: impl Iterator<Item = (JointId, &'f Found)>) -> Option<Fix> {
    let mut list = Vec::new();
    for (joint, found) in found {
        let node = ctx.rig.joints[joint.index()].node?;
        let by = ctx.facts.surface().by_primitive(&found.points);
        list.extend(by.into_iter().map(|((mesh, primitive), vertices)| {
            let vertices = remedy::vertices(vertices);
            json!({"mesh": mesh.0, "primitive": primitive, "node": node.0, "vertices": vertices})
        }));
    }
    Some(Fix::Repair {
        applicability: Applicability::Review,
        name: "cut-influences".into(),
        arguments: json!({"cuts": list}),
        summary: "take the joint's weight off these vertices and renormalise".into(),
    })
}

fn astray(joint: &str, weight: f32, mesh: &str, vertex: u32, owner: &str, steps: u32, limit: f64) -> String {
    format!(
        "{joint} has weight {} on vertex {vertex} of {mesh}, amid the skin of {owner}, {steps} steps away (limit {})",
        short(f64::from(weight)),
        short(limit)
    )
}

fn far(joint: &str, weight: f32, mesh: &str, vertex: u32, owner: &str, ratio: f64, limit: f64) -> String {
    format!(
        "{joint} has weight {} on vertex {vertex} of {mesh}, skin of {owner}, {} times its own reach away (limit {})",
        short(f64::from(weight)),
        short(ratio),
        short(limit)
    )
}

fn many(skin: &str, joints: usize, names: &str) -> String {
    format!("{joints} joints of {skin} have weight far from their own skin: {names}")
}
