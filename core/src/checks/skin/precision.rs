//! Weights stored in bytes where that shows.

use glam::DVec3;

use crate::body::skinning::part_vertices;
use crate::check::wording::{count, short};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Fact, Subject, Unit};
use crate::model::{JointId, Reads, WeightStorage};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "skin/precision",
    summary: "weights in bytes are too coarse for the distances they act over",
    why: "a step of one 255th moves the vertex visibly against its neighbours as the joint turns: the surface looks faceted",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("precision.md"),
    on: On::GLTF,
    bands: &[Band {
        name: "step",
        case: "",
        on: On::GLTF,
        bound: Bound::Above,
        limit: 1.0,
        unit: "%",
        severity: Some(Severity::Note),
    }],
    requires: &[Need::Joints, Need::Weights],
    reads: Reads::WEIGHTS.union(Reads::JOINTS),
    settings: &[],
    plantable: Plantable::Range { most: 3.0 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let (surface, skinning, reach) = (ctx.facts.surface(), ctx.facts.skinning(), ctx.facts.reach());
    let Some(limit) = sink.limit("") else { return };
    for part in &surface.parts {
        let primitive = &ctx.rig.meshes[part.mesh.index()].primitives[part.primitive as usize];
        let bytes = primitive.influences.iter().any(|set| set.storage == WeightStorage::Unorm8);
        let Some(skin) = part.skin.filter(|_| bytes) else { continue };
        let (mut coarse, mut worst) = (0_u64, (0.0_f64, 0_u32, JointId(0)));
        for vertex in part_vertices(part) {
            let row = skinning.row(vertex);
            let Some(own) = row.iter().copied().reduce(|a, b| if b.weight > a.weight { b } else { a }) else {
                continue;
            };
            let Some(radius) = reach.radius[own.joint.index()] else { continue };
            let place = surface.positions[vertex as usize];
            for other in row.iter().filter(|other| other.joint != own.joint) {
                // Half a step of weight, times what a quarter turn about the joint between the two puts between them.
                let arm = pivot(ctx, own.joint, other.joint).map_or(0.0, |pivot| pivot.distance(place));
                let share = 100.0 * arm * std::f64::consts::SQRT_2 / 510.0 / radius.r50;
                coarse += u64::from(share > limit);
                if share > worst.0 {
                    worst = (share, vertex - part.first_vertex, other.joint);
                }
            }
        }
        let Some(hit) = sink.judge("", worst.0) else { continue };
        let subject = Subject::Vertices(part.mesh, part.primitive);
        let text =
            message(&ctx.labels.name(&subject), coarse, worst.0, worst.1, ctx.name(worst.2), hit.bound());
        let fact = Fact::new(subject, text)
            .evidence("largest step, percent of the local radius", worst.0, hit.limit, Unit::One)
            .evidence("influences that coarse", coarse as f64, None, Unit::Count)
            .identified_by(Subject::Skin(skin), "skin");
        sink.report(hit, fact);
    }
}

/// The origin that two joints turn about against each other: the child's, for parent and child.
fn pivot(ctx: &Context<'_>, a: JointId, b: JointId) -> Option<DVec3> {
    let parent = &ctx.facts.tree().parent;
    if parent[a.index()] == Some(b) {
        return Some(ctx.facts.origin(a));
    }
    (parent[b.index()] == Some(a) || a != b).then(|| ctx.facts.origin(b))
}

fn message(name: &str, coarse: u64, worst: f64, vertex: u32, joint: &str, limit: f64) -> String {
    format!(
        "in {name} {} of weight in bytes that show, up to {} % of the local radius at vertex {vertex} for {joint} \
         (limit {} %)",
        count(coarse, "influence has steps", "influences have steps"),
        short(worst),
        short(limit)
    )
}
