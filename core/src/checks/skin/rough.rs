//! A vertex that moves unlike all its neighbours.

use std::collections::BTreeMap;

use rayon::prelude::*;
use serde_json::json;

use crate::body::Influence;
use crate::body::skinning::difference;
use crate::check::remedy;
use crate::check::wording::{count, short};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Setting, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, Subject, Unit};
use crate::model::{MeshId, Reads};
use crate::report::Severity;

/// A point with more neighbours is a fan's middle, and no jump.
const MOST_AROUND: usize = 256;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "skin/rough",
    summary: "the weights of a vertex jump against all of its neighbours",
    why: "the vertex stays behind or runs ahead as the joint turns: a spike or a dent in an otherwise smooth bend",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("rough.md"),
    on: On::GLTF,
    bands: &[Band {
        name: "jump",
        case: "",
        on: On::GLTF,
        bound: Bound::Above,
        limit: 0.3,
        unit: "1",
        severity: Some(Severity::Note),
    }],
    requires: &[Need::Weights, Need::Mesh],
    reads: Reads::WEIGHTS.union(Reads::MESH),
    settings: &[Setting {
        name: "times",
        about: "how many times larger than the neighbours' own differences a jump is",
        default: 3.0,
    }],
    plantable: Plantable::Range { most: 0.9 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let Some(limit) = sink.limit("") else { return };
    let times = ctx.setting("times");
    let surface = ctx.facts.surface();
    let found: Vec<(u32, f64)> = (0..surface.points.len() as u32)
        .into_par_iter()
        .map_init(Vec::new, |mean, point| {
            let (jump, own) = jump(ctx, point, limit, mean)?;
            (jump > limit && jump > times * own).then_some((point, jump))
        })
        .flatten()
        .collect();
    let mut by_mesh: BTreeMap<(MeshId, u32), (Vec<u32>, f64, u32)> = BTreeMap::new();
    // A weight gone astray is told as such.
    for (point, jump) in found.into_iter().filter(|(point, _)| !ctx.facts.patches().holds(*point)) {
        let part = surface.part_at(point);
        let vertex = surface.members(point)[0] - part.first_vertex;
        let here = by_mesh.entry((part.mesh, part.primitive)).or_default();
        here.0.push(point);
        if jump > here.1 {
            (here.1, here.2) = (jump, vertex);
        }
    }
    for ((mesh, primitive), (points, worst, vertex)) in by_mesh {
        let Some(hit) = sink.judge("", worst) else { continue };
        let subject = Subject::Vertices(mesh, primitive);
        let text = message(&ctx.labels.name(&subject), points.len(), worst, vertex, hit.bound());
        let vertices = surface.by_primitive(&points).remove(&(mesh, primitive)).unwrap_or_default();
        let arguments =
            json!({"mesh": mesh.0, "primitive": primitive, "vertices": remedy::vertices(vertices)});
        let fact = Fact::new(subject, text)
            .evidence("largest jump", worst, hit.limit, Unit::One)
            .evidence("points", points.len() as f64, None, Unit::Count)
            .fix(Fix::Repair {
                applicability: Applicability::Review,
                name: "smooth-weights".into(),
                arguments,
                summary: "give these vertices the mean of their neighbours' weights".into(),
            });
        sink.report(hit, fact);
    }
}

/// How far a point's weights are from its neighbours' mean, and how far those are from it on average; nothing where
/// the jump cannot be above `limit`.
fn jump(ctx: &Context<'_>, point: u32, limit: f64, mean: &mut Vec<Influence>) -> Option<(f64, f64)> {
    let (surface, skinning) = (ctx.facts.surface(), ctx.facts.skinning());
    let row = skinning.point_row(point);
    let around = surface.edges().neighbours(point);
    if row.is_empty() || around.len() < 3 || around.len() > MOST_AROUND {
        return None;
    }
    let rows = || around.iter().map(|other| skinning.point_row(*other)).filter(|row| !row.is_empty());
    let count = rows().count();
    let apart: f64 = rows().map(|other| f64::from(difference(row, other))).sum();
    if count < 3 || apart <= limit * count as f64 {
        return None;
    }
    mean.clear();
    mean.extend(rows().flatten());
    mean.sort_unstable_by_key(|one| one.joint);
    let mut kept = 0;
    for at in 0..mean.len() {
        let one = Influence { joint: mean[at].joint, weight: mean[at].weight / count as f32 };
        if kept > 0 && mean[kept - 1].joint == one.joint {
            mean[kept - 1].weight += one.weight;
        } else {
            mean[kept] = one;
            kept += 1;
        }
    }
    mean.truncate(kept);
    let own: f64 = rows().map(|other| f64::from(difference(other, mean))).sum::<f64>() / count as f64;
    Some((f64::from(difference(row, mean)), own))
}

fn message(name: &str, points: usize, worst: f64, vertex: u32, limit: f64) -> String {
    format!(
        "in {name} the weights of {} against all neighbours, by {} at vertex {vertex} (limit {})",
        count(points as u64, "point jump", "points jump"),
        short(worst),
        short(limit)
    )
}
