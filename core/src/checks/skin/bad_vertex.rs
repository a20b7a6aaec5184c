//! Positions that are no place, and triangles that point past the vertices.

use crate::check::wording::count;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Fact, Subject, Unit};
use crate::model::{MeshId, Primitive, Reads};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "skin/bad-vertex",
    summary: "a position is not finite, or a triangle points past the vertices",
    why: "a vertex at no place tears every triangle it has across the screen, and a corner past the end reads other memory",
    rule: Rule { title: "glTF 2.0", section: "3.6.2.2" },
    page: include_str!("bad_vertex.md"),
    on: On::GLTF,
    bands: &[
        Band {
            name: "position",
            case: "position",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 0.0,
            unit: "vertices",
            severity: Some(Severity::Error),
        },
        Band {
            name: "index",
            case: "index",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 0.0,
            unit: "triangles",
            severity: Some(Severity::Error),
        },
    ],
    requires: &[Need::Mesh],
    reads: Reads::MESH,
    settings: &[],
    plantable: Plantable::Boolean,
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    for (mesh, one) in ctx.rig.meshes.iter().enumerate() {
        for (index, primitive) in one.primitives.iter().enumerate() {
            if primitive.readable {
                look(ctx, sink, MeshId::new(mesh), index as u32, primitive);
            }
        }
    }
}

fn look(ctx: &Context<'_>, sink: &mut Sink<'_>, mesh: MeshId, index: u32, primitive: &Primitive) {
    let subject = Subject::Vertices(mesh, index);
    let name = ctx.labels.name(&subject);
    let nowhere = |p: &[f32; 3]| !p.iter().all(|c| c.is_finite());
    let bad = primitive.positions.iter().filter(|p| nowhere(p)).count() as u64;
    if let Some(hit) = sink.judge("position", bad as f64) {
        let first = primitive.positions.iter().position(nowhere).unwrap_or_default();
        let fact = Fact::new(subject, position(&name, bad, first)).evidence(
            "vertices at no place",
            bad as f64,
            hit.limit,
            Unit::Count,
        );
        sink.report(hit, fact);
    }
    let count = primitive.positions.len();
    let past = |t: &&[u32; 3]| t.iter().any(|corner| *corner as usize >= count);
    let beyond = primitive.triangles.iter().filter(past).count() as u64;
    if let Some(hit) = sink.judge("index", beyond as f64) {
        let largest = primitive.triangles.iter().flatten().max().copied().unwrap_or_default();
        let fact = Fact::new(Subject::Primitive(mesh, index), corner(&name, beyond, largest, count))
            .evidence("triangles that point past the vertices", beyond as f64, hit.limit, Unit::Count)
            .evidence("largest index", f64::from(largest), Some(count as f64 - 1.0), Unit::Count);
        sink.report(hit, fact);
    }
}

fn position(name: &str, vertices: u64, first: usize) -> String {
    format!(
        "in {name} {} at no place: a coordinate is not finite (limit 0, first: {first})",
        count(vertices, "vertex is", "vertices are")
    )
}

fn corner(name: &str, triangles: u64, largest: u32, vertices: usize) -> String {
    format!(
        "in {name} {} past the {vertices} vertices (limit 0, largest index {largest})",
        count(triangles, "triangle points", "triangles point")
    )
}
