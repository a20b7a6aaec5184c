//! One joint twice on a vertex.

use serde_json::json;

use crate::check::wording::{count, short};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, Subject, Unit};
use crate::model::Reads;
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "skin/duplicate-influence",
    summary: "a joint has two weights on one vertex",
    why: "readers that look a joint up by its index find only one of the two, and the other share is lost",
    rule: Rule { title: "glTF 2.0", section: "3.7.3.3" },
    page: include_str!("duplicate_influence.md"),
    on: On::GLTF,
    bands: &[Band {
        name: "duplicate",
        case: "",
        on: On::GLTF,
        bound: Bound::Above,
        limit: 0.0,
        unit: "vertices",
        severity: Some(Severity::Error),
    }],
    requires: &[Need::Weights],
    reads: Reads::WEIGHTS,
    settings: &[],
    plantable: Plantable::Boolean,
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let surface = ctx.facts.surface();
    for (part, scan) in surface.parts.iter().zip(&ctx.facts.skinning().scans) {
        let (Some(scan), Some(skin)) = (scan, part.skin) else { continue };
        let Some(hit) = sink.judge("", scan.duplicate.count as f64) else { continue };
        let subject = Subject::Vertices(part.mesh, part.primitive);
        let first = scan.duplicate.first.first().copied().unwrap_or_default();
        let vertices = scan.duplicate.count;
        let text = message(&ctx.labels.name(&subject), vertices, scan.duplicate.worst, first);
        let fact = Fact::new(subject, text)
            .evidence("vertices with a joint twice", vertices as f64, hit.limit, Unit::Count)
            .evidence("largest weight that a lookup loses", scan.duplicate.worst, None, Unit::One)
            .identified_by(Subject::Skin(skin), "skin")
            .fix(Fix::Repair {
                applicability: Applicability::Safe,
                name: "merge-influences".into(),
                arguments: json!({"mesh": part.mesh.0, "primitive": part.primitive}),
                summary: "add the weights of a joint that a vertex names twice".into(),
            });
        sink.report(hit, fact);
    }
}

fn message(name: &str, vertices: u64, worst: f64, first: u32) -> String {
    format!(
        "in {name} {} one joint twice, the second time with up to {} (limit 0, first: {first})",
        count(vertices, "vertex names", "vertices name"),
        short(worst)
    )
}
