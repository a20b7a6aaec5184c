//! Weights below zero or without bound.

use serde_json::json;

use crate::body::RowScan;
use crate::check::wording::{count, short};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, Subject, Unit};
use crate::model::Reads;
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "skin/negative",
    summary: "a weight is negative or infinite",
    why: "a negative weight pushes the vertex the other way, and the rest add up to more than one to make up for it: the skin bulges as soon as the joint turns",
    rule: Rule { title: "glTF 2.0", section: "3.7.3.3" },
    page: include_str!("negative.md"),
    on: On::GLTF,
    bands: &[Band {
        name: "negative",
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
        let Some(hit) = sink.judge("", scan.negative.count as f64) else { continue };
        let subject = Subject::Vertices(part.mesh, part.primitive);
        let fact = Fact::new(subject.clone(), message(&ctx.labels.name(&subject), scan))
            .evidence("vertices with such a weight", scan.negative.count as f64, hit.limit, Unit::Count)
            .evidence("lowest weight", -scan.negative.worst, Some(0.0), Unit::One)
            .identified_by(Subject::Skin(skin), "skin")
            .fix(Fix::Repair {
                // Nobody knows what an infinite weight was meant to be.
                applicability: if scan.infinite > 0 { Applicability::Review } else { Applicability::Safe },
                name: "clamp-weights".into(),
                arguments: json!({"mesh": part.mesh.0, "primitive": part.primitive}),
                summary: "set negative and infinite weights to zero and renormalise".into(),
            });
        sink.report(hit, fact);
    }
}

fn message(name: &str, scan: &RowScan) -> String {
    let first = scan.negative.first.first().copied().unwrap_or_default();
    let vertices = count(scan.negative.count, "vertex has", "vertices have");
    if scan.negative.worst > 0.0 {
        let infinite = if scan.infinite > 0 { ", or an infinite one" } else { "" };
        format!(
            "in {name} {vertices} a negative weight{infinite}, down to {} (limit 0, first: {first})",
            short(-scan.negative.worst)
        )
    } else {
        format!("in {name} {vertices} an infinite weight (limit 0, first: {first})")
    }
}
