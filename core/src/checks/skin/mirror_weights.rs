//! Weights that are not mirrored where the skin is.

use std::collections::BTreeMap;

use rayon::prelude::*;
use serde_json::json;

use crate::body::Influence;
use crate::body::near::Near;
use crate::body::skinning::difference;
use crate::check::wording::{count, short};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, Subject, Unit, round, vector_json};
use crate::model::{MeshId, Reads};
use crate::report::Severity;

/// A point's mirror image is this near, fraction of S.
const PLACE: f64 = 1e-3;
/// Rows farther apart than this differ.
const DIFFERS: f32 = 0.1;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "skin/mirror-weights",
    summary: "vertices that mirror each other have weights that do not",
    why: "left and right bend differently, and a clip that is mirrored looks wrong on one side",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("mirror_weights.md"),
    on: On::GLTF,
    bands: &[Band {
        name: "share",
        case: "",
        on: On::GLTF,
        bound: Bound::Above,
        limit: 4.0,
        unit: "%",
        severity: Some(Severity::Note),
    }],
    requires: &[Need::Weights, Need::Mesh, Need::Symmetry],
    reads: Reads::WEIGHTS.union(Reads::MESH).union(Reads::JOINTS),
    settings: &[],
    plantable: Plantable::Range { most: 100.0 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

#[derive(Default, Clone, Copy)]
struct Sum {
    skinned: u64,
    mirrored: u64,
    differ: u64,
    worst: f32,
    vertex: u32,
}

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let Some(plane) = ctx.facts.mirror() else { return };
    let (surface, skinning) = (ctx.facts.surface(), ctx.facts.skinning());
    let reach = PLACE * ctx.facts.s();
    let near = Near::new(&surface.points, reach);
    let found: Vec<Option<(u32, f32)>> = (0..surface.points.len() as u32)
        .into_par_iter()
        .map_init(Vec::new, |mirrored, point| {
            let row = skinning.point_row(point);
            let other = near.nearest(plane.mirror(surface.points[point as usize]), reach)?;
            if row.is_empty() || skinning.point_row(other).is_empty() {
                return None;
            }
            Some((other, difference(row, mirror(ctx, skinning.point_row(other), mirrored))))
        })
        .collect();
    let mut by_mesh: BTreeMap<MeshId, Sum> = BTreeMap::new();
    for (point, found) in found.iter().enumerate() {
        if skinning.point_row(point as u32).is_empty() {
            continue;
        }
        let part = surface.part_at(point as u32);
        let sum = by_mesh.entry(part.mesh).or_default();
        sum.skinned += 1;
        let Some((_, apart)) = found else { continue };
        sum.mirrored += 1;
        sum.differ += u64::from(*apart > DIFFERS);
        if *apart > sum.worst {
            (sum.worst, sum.vertex) = (*apart, surface.members(point as u32)[0] - part.first_vertex);
        }
    }
    for (mesh, sum) in by_mesh {
        // A mesh that is not symmetric itself has nothing to mirror.
        if sum.mirrored * 2 < sum.skinned {
            continue;
        }
        let share = 100.0 * sum.differ as f64 / sum.mirrored.max(1) as f64;
        let Some(hit) = sink.judge("", share) else { continue };
        let subject = Subject::Mesh(mesh);
        let text = message(&ctx.labels.name(&subject), &sum, share, hit.bound());
        let fact = Fact::new(subject, text)
            .evidence("share of mirrored points that differ, percent", share, hit.limit, Unit::One)
            .evidence("points that differ", sum.differ as f64, None, Unit::Count)
            .evidence("largest difference", f64::from(sum.worst), None, Unit::One)
            .fix(Fix::Repair {
                applicability: Applicability::Review,
                name: "mirror-weights".into(),
                arguments: json!({"mesh": mesh.0, "normal": vector_json(plane.normal), "offset": round(plane.offset)}),
                summary: "copy the weights of the left side to the right, twins exchanged".into(),
            });
        sink.report(hit, fact);
    }
}

/// A row as its mirror image has it: each joint by its twin, joints without twin by themselves.
fn mirror<'r>(ctx: &Context<'_>, row: &[Influence], out: &'r mut Vec<Influence>) -> &'r [Influence] {
    let twins = &ctx.facts.twins().of;
    out.clear();
    out.extend(
        row.iter().map(|one| Influence { joint: twins[one.joint.index()].unwrap_or(one.joint), ..*one }),
    );
    out.sort_unstable_by_key(|one| one.joint);
    out
}

fn message(mesh: &str, sum: &Sum, share: f64, limit: f64) -> String {
    format!(
        "on {mesh} {} weights that are not their mirror image's ({} % of {}, limit {} %), worst at vertex {}",
        count(sum.differ, "point has", "points have"),
        short(share),
        sum.mirrored,
        short(limit),
        sum.vertex
    )
}
