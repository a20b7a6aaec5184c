//! Copies of one vertex that follow different joints.

use serde_json::json;
use std::collections::{BTreeMap, BTreeSet};

use crate::body::Half;
use crate::body::skinning::difference;
use crate::check::remedy;
use crate::check::wording::{count, short};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, Subject, Unit};
use crate::model::{MeshId, Reads};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "skin/seam",
    summary: "the two sides of a seam have different weights",
    why: "the skin opens along the seam as soon as the joints move apart, and the background shows through",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("seam.md"),
    on: On::GLTF,
    bands: &[
        Band {
            name: "open",
            case: "difference",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 0.2,
            unit: "1",
            severity: Some(Severity::Error),
        },
        Band {
            name: "unequal",
            case: "difference",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 0.02,
            unit: "1",
            severity: Some(Severity::Warning),
        },
    ],
    requires: &[Need::Weights, Need::Mesh],
    reads: Reads::WEIGHTS.union(Reads::MESH),
    settings: &[],
    plantable: Plantable::Range { most: 0.9 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

/// Cracks of one mesh.
#[derive(Default)]
struct Cracks {
    edges: u64,
    worst: f32,
    point: u32,
    points: BTreeSet<u32>,
    /// The mesh on the other side, where it is another one.
    other: Option<MeshId>,
}

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let Some(limit) = sink.limit("difference") else { return };
    let surface = ctx.facts.surface();
    let mut by_mesh: BTreeMap<MeshId, Cracks> = BTreeMap::new();
    for point in 0..surface.points.len() as u32 {
        for sides in surface.edges().halves(point).chunk_by(|a, b| a.to == b.to) {
            let [one, other] = sides else { continue };
            let Some((gap, at)) = crack(ctx, point, *one, *other).filter(|(gap, _)| f64::from(*gap) > limit)
            else {
                continue;
            };
            let mesh = |half: &Half| {
                let vertex = surface.triangles[half.corner as usize / 3][0];
                surface.parts[surface.part_of(vertex)].mesh
            };
            let (left, right) = (mesh(one), mesh(other));
            let cracks = by_mesh.entry(left.min(right)).or_default();
            cracks.edges += 1;
            cracks.points.extend([point, one.to]);
            cracks.other = cracks.other.or(Some(left.max(right)).filter(|_| left != right));
            if gap > cracks.worst {
                (cracks.worst, cracks.point) = (gap, at);
            }
        }
    }
    for (mesh, cracks) in by_mesh {
        let Some(hit) = sink.judge("difference", f64::from(cracks.worst)) else { continue };
        let subject = Subject::Mesh(mesh);
        let part = surface.part_at(cracks.point);
        let vertex = surface.members(cracks.point)[0] - part.first_vertex;
        let text = message(&ctx.labels.name(&subject), &cracks, part.primitive, vertex, hit.bound());
        let mut fact = Fact::new(subject, text)
            .evidence("largest difference of weights", f64::from(cracks.worst), hit.limit, Unit::One)
            .evidence("edges", cracks.edges as f64, None, Unit::Count)
            .evidence("points", cracks.points.len() as f64, None, Unit::Count)
            .fix(unify(ctx, mesh, &cracks));
        if let Some(other) = cracks.other {
            fact = fact.related(Subject::Mesh(other), "other side");
        }
        sink.report(hit, fact);
    }
}

/// How far apart the weights of an edge's two sides are, and at which end. Nothing where the sides share their
/// vertices, face against each other, or are two rigid pieces that only touch.
fn crack(ctx: &Context<'_>, low: u32, one: Half, other: Half) -> Option<(f32, u32)> {
    let (surface, skinning) = (ctx.facts.surface(), ctx.facts.skinning());
    // The vertices of a side at the lower and at the higher point, and whether it runs upwards.
    let ends = |half: Half| {
        let corners = surface.triangles[half.corner as usize / 3];
        let (from, to) = (corners[half.corner as usize % 3], corners[(half.corner as usize + 1) % 3]);
        if surface.point_of[from as usize] == low { (from, to, true) } else { (to, from, false) }
    };
    let (a, b) = (ends(one), ends(other));
    if a.2 == b.2 {
        return None;
    }
    let gap = |left: u32, right: u32| {
        let (left, right) = (skinning.row(left), skinning.row(right));
        let rigid = left.len() == 1 && right.len() == 1;
        if left.is_empty() || right.is_empty() || rigid { 0.0 } else { difference(left, right) }
    };
    let (here, there) = (gap(a.0, b.0), gap(a.1, b.1));
    let found = if here >= there { (here, low) } else { (there, one.to) };
    (found.0 > 0.0).then_some(found)
}

fn unify(ctx: &Context<'_>, mesh: MeshId, cracks: &Cracks) -> Option<Fix> {
    let surface = ctx.facts.surface();
    let groups: Vec<Vec<_>> = cracks
        .points
        .iter()
        .map(|point| {
            surface
                .members(*point)
                .iter()
                .map(|vertex| (&surface.parts[surface.part_of(*vertex)], vertex))
                .filter(|(part, _)| part.mesh == mesh && part.skin.is_some())
                .map(|(part, vertex)| json!({"primitive": part.primitive, "vertex": vertex - part.first_vertex}))
                .collect::<Vec<_>>()
        })
        .filter(|group| group.len() > 1)
        .collect();
    (!groups.is_empty()).then(|| Fix::Repair {
        applicability: Applicability::Review,
        name: "unify-seams".into(),
        arguments: json!({"mesh": mesh.0, "vertices": remedy::groups(groups)}),
        summary: "give all copies of a vertex along the seam the mean of their weights".into(),
    })
}

fn message(mesh: &str, cracks: &Cracks, primitive: u32, vertex: u32, limit: f64) -> String {
    let across = if cracks.other.is_some() { " and the mesh it touches" } else { "" };
    format!(
        "along {} of {mesh}{across} the two sides differ in weight, by {} at vertex {vertex} of primitive {primitive} \
         (limit {})",
        count(cracks.edges, "edge", "edges"),
        short(f64::from(cracks.worst)),
        short(limit)
    )
}
