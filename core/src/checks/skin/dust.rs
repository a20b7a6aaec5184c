//! Influences too small to be seen.

use std::collections::BTreeMap;

use serde_json::json;

use crate::body::skinning::DUST;
use crate::check::wording::{count, short};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, Subject, Unit};
use crate::model::{MeshId, Reads, SkinId};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "skin/dust",
    summary: "many vertices carry influences below half a percent",
    why: "every influence costs a matrix and a slot of four, and a speck of weight that nobody sees can push out one that matters",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("dust.md"),
    on: On::GLTF,
    bands: &[Band {
        name: "dust",
        case: "",
        on: On::GLTF,
        bound: Bound::Above,
        limit: 5.0,
        unit: "%",
        severity: Some(Severity::Note),
    }],
    requires: &[Need::Weights],
    reads: Reads::WEIGHTS,
    settings: &[],
    plantable: Plantable::Range { most: 100.0 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let surface = ctx.facts.surface();
    let mut by_mesh: BTreeMap<(MeshId, SkinId), (u64, u64, u64, Vec<u32>)> = BTreeMap::new();
    for (part, scan) in surface.parts.iter().zip(&ctx.facts.skinning().scans) {
        let (Some(scan), Some(skin)) = (scan, part.skin) else { continue };
        let sum = by_mesh.entry((part.mesh, skin)).or_default();
        sum.0 += scan.clean;
        sum.1 += scan.dusty.count;
        sum.2 += scan.dust;
        if scan.dust > 0 {
            sum.3.push(part.primitive);
        }
    }
    for ((mesh, skin), (vertices, dusty, dust, primitives)) in by_mesh {
        let share = 100.0 * dusty as f64 / vertices.max(1) as f64;
        let Some(hit) = sink.judge("", share) else { continue };
        let subject = Subject::Mesh(mesh);
        let text = message(&ctx.labels.name(&subject), dust, dusty, share, hit.bound());
        let list: Vec<_> = primitives.iter().map(|p| json!({"mesh": mesh.0, "primitive": p})).collect();
        let fact = Fact::new(subject, text)
            .evidence("share of vertices with dust, percent", share, hit.limit, Unit::One)
            .evidence("influences below 0.5 %", dust as f64, None, Unit::Count)
            .identified_by(Subject::Skin(skin), "skin")
            .fix(Fix::Repair {
                applicability: Applicability::Review,
                name: "trim-influences".into(),
                arguments: match list.as_slice() {
                    [one] => json!({"mesh": one["mesh"], "primitive": one["primitive"], "least": DUST}),
                    _ => json!({"primitives": list, "least": DUST}),
                },
                summary: "drop influences below half a percent and renormalise".into(),
            });
        sink.report(hit, fact);
    }
}

fn message(name: &str, dust: u64, dusty: u64, share: f64, limit: f64) -> String {
    format!(
        "{name} has {} below 0.5 % on {} ({} % of them, limit {} %)",
        count(dust, "influence", "influences"),
        count(dusty, "vertex", "vertices"),
        short(share),
        short(limit)
    )
}
