//! Weight that jumped across a gap.

use serde_json::json;
use std::collections::BTreeMap;

use crate::body::{Stray, StrayKind};
use crate::check::remedy;
use crate::check::wording::{length, short};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, Subject, Unit};
use crate::model::{JointId, Reads};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "skin/leak",
    summary: "a joint has weight on skin that is near in space and far along the surface",
    why: "two limbs that lay close when the skin was bound pull each other as soon as they part",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("leak.md"),
    on: On::GLTF,
    bands: &[Band {
        name: "leak",
        case: "",
        on: On::GLTF,
        bound: Bound::Above,
        limit: 0.1,
        unit: "1",
        severity: Some(Severity::Warning),
    }],
    requires: &[Need::Joints, Need::Weights],
    reads: Reads::WEIGHTS.union(Reads::JOINTS).union(Reads::MESH),
    settings: &[],
    plantable: Plantable::Range { most: 0.9 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let mut by_joint: BTreeMap<JointId, Vec<&Stray>> = BTreeMap::new();
    for stray in ctx.facts.patches().strays.iter().filter(|stray| stray.kind == StrayKind::Leak) {
        by_joint.entry(stray.joint).or_default().push(stray);
    }
    for (joint, strays) in by_joint {
        let most = |best: &'_ Stray, next: &'_ Stray| best.weight >= next.weight;
        let Some(worst) = strays.iter().copied().reduce(|a, b| if most(a, b) { a } else { b }) else {
            continue;
        };
        let Some(hit) = sink.judge("", f64::from(worst.weight)) else { continue };
        let surface = ctx.facts.surface();
        let part = surface.part_at(worst.peak);
        let vertex = surface.members(worst.peak)[0] - part.first_vertex;
        let s = ctx.facts.s();
        let mesh = ctx.labels.name(&Subject::Vertices(part.mesh, part.primitive));
        let points: Vec<u32> = strays.iter().flat_map(|stray| stray.points.iter().copied()).collect();
        let text = message(
            ctx.name(joint),
            worst,
            &mesh,
            vertex,
            &length(worst.straight, s),
            &length(worst.along, s),
        );
        let fact = Fact::new(Subject::Joint(joint), text)
            .evidence("weight", f64::from(worst.weight), hit.limit, Unit::One)
            .length("straight distance to the joint's own skin", worst.straight, None, s)
            .length("distance along the surface, at least", worst.along, None, s)
            .evidence("points", points.len() as f64, None, Unit::Count)
            .related(Subject::Joint(worst.owner), "owner")
            .related(Subject::Vertices(part.mesh, part.primitive), "skin")
            .fix(cut(ctx, joint, &points));
        sink.report(hit, fact);
    }
}

/// Takes the joint's weight off these points.
fn cut(ctx: &Context<'_>, joint: JointId, points: &[u32]) -> Option<Fix> {
    let node = ctx.rig.joints[joint.index()].node?;
    let by = ctx.facts.surface().by_primitive(points);
    let list: Vec<_> = by
        .into_iter()
        .map(|((mesh, primitive), vertices)| {
            json!({"mesh": mesh.0, "primitive": primitive, "node": node.0, "vertices": remedy::vertices(vertices)})
        })
        .collect();
    Some(Fix::Repair {
        applicability: Applicability::Review,
        name: "cut-influences".into(),
        arguments: json!({"cuts": list}),
        summary: "take the joint's weight off these vertices and renormalise".into(),
    })
}

fn message(joint: &str, stray: &Stray, mesh: &str, vertex: u32, straight: &str, along: &str) -> String {
    format!(
        "{joint} has weight {} on vertex {vertex} of {mesh}, {straight} away across a gap and more than {along} along \
         the surface",
        short(f64::from(stray.weight))
    )
}
