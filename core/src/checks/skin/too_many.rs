//! More influences on a vertex than the target takes.

use serde_json::json;

use crate::body::skinning::part_vertices;
use crate::check::wording::{count, short};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, Subject, Unit};
use crate::model::Reads;
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "skin/too-many",
    summary: "vertices follow more joints than the profile allows",
    why: "readers that take four influences drop the rest without renormalising, and the dropped share stays behind at bind",
    rule: Rule { title: "glTF 2.0", section: "3.7.3.3" },
    page: include_str!("too_many.md"),
    on: On::GLTF,
    bands: &[
        Band {
            name: "influences",
            case: "influences",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 4.0,
            unit: "influences",
            severity: Some(Severity::Note),
        },
        Band {
            name: "lost",
            case: "lost",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 0.05,
            unit: "1",
            severity: Some(Severity::Warning),
        },
    ],
    requires: &[Need::Weights],
    reads: Reads::WEIGHTS,
    settings: &[],
    plantable: Plantable::Boolean,
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let (surface, skinning) = (ctx.facts.surface(), ctx.facts.skinning());
    let Some(most) = sink.limit("influences").map(|limit| limit.max(1.0) as usize) else { return };
    for (part, scan) in surface.parts.iter().zip(&skinning.scans) {
        let (Some(scan), Some(skin)) = (scan, part.skin) else { continue };
        let Some(hit) = sink.judge("influences", f64::from(scan.most)) else { continue };
        let (mut vertices, mut lost, mut worst) = (0_u64, 0.0_f64, part.first_vertex);
        let mut weights: Vec<f32> = Vec::new();
        for vertex in part_vertices(part) {
            let row = skinning.row(vertex);
            if row.len() <= most {
                continue;
            }
            weights.clear();
            weights.extend(row.iter().map(|one| one.weight));
            weights.sort_unstable_by(|a, b| b.total_cmp(a));
            let over = weights[most..].iter().map(|w| f64::from(*w)).sum();
            vertices += 1;
            if over > lost {
                (lost, worst) = (over, vertex);
            }
        }
        let worst = worst - part.first_vertex;
        let hit = sink.judge("lost", lost).unwrap_or(hit);
        let subject = Subject::Vertices(part.mesh, part.primitive);
        let text = message(&ctx.labels.name(&subject), vertices, most, scan.most, lost, worst);
        let fact = Fact::new(subject, text)
            .evidence("most influences on a vertex", f64::from(scan.most), Some(most as f64), Unit::Count)
            .evidence("vertices above the limit", vertices as f64, None, Unit::Count)
            .evidence("largest weight that trimming loses", lost, None, Unit::One)
            .identified_by(Subject::Skin(skin), "skin")
            .fix(Fix::Repair {
                applicability: Applicability::Review,
                name: "trim-influences".into(),
                arguments: json!({"mesh": part.mesh.0, "primitive": part.primitive, "most": most}),
                summary: format!("keep the {most} largest weights of each vertex and renormalise"),
            });
        sink.report(hit, fact);
    }
}

fn message(name: &str, vertices: u64, most: usize, found: u32, lost: f64, worst: u32) -> String {
    format!(
        "in {name} {} more than {most} joints, up to {found}; trimming loses up to {} of the weight (vertex {worst})",
        count(vertices, "vertex follows", "vertices follow"),
        short(lost)
    )
}
