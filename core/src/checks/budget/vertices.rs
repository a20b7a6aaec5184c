//! The number of vertices.

use crate::check::wording::count;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Fact, Subject, Unit};
use crate::model::Reads;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "budget/vertices",
    summary: "more vertices than the target can afford",
    why: "every vertex is skinned in every picture, for every character that is seen",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("vertices.md"),
    on: On::BOTH,
    bands: &[
        Band {
            name: "most",
            case: "",
            on: On::BOTH,
            bound: Bound::Above,
            limit: 50_000.0,
            unit: "vertices",
            severity: None,
        },
        Band {
            name: "limit",
            case: "",
            on: On::BOTH,
            bound: Bound::Above,
            limit: 100_000.0,
            unit: "vertices",
            severity: None,
        },
    ],
    requires: &[Need::Mesh],
    reads: Reads::MESH,
    settings: &[],
    plantable: Plantable::Range { most: 1_000_000.0 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let rig = ctx.rig.body.as_deref().unwrap_or(ctx.rig);
    let vertices: u64 =
        rig.meshes.iter().flat_map(|mesh| &mesh.primitives).map(|p| p.positions.len() as u64).sum();
    let Some(hit) = sink.judge("", vertices as f64) else { return };
    let text = message(&ctx.labels.name(&Subject::Rig), vertices, hit.bound());
    let fact = Fact::new(Subject::Rig, text).evidence("vertices", vertices as f64, hit.limit, Unit::Count);
    sink.report(hit, fact);
}

fn message(name: &str, vertices: u64, limit: f64) -> String {
    format!("{name} has {} (limit {limit})", count(vertices, "vertex", "vertices"))
}
