//! Influences by joints that the skin does not have.

use serde_json::json;

use crate::check::wording::count;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, Subject, Unit};
use crate::model::Reads;
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "skin/bad-joint",
    summary: "an influence names a joint outside the skin",
    why: "the index reads past the joint palette: garbage transforms on one machine, a lost device on another",
    rule: Rule { title: "glTF 2.0", section: "3.7.3.3" },
    page: include_str!("bad_joint.md"),
    on: On::GLTF,
    bands: &[
        Band {
            name: "outside",
            case: "outside",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 0.0,
            unit: "influences",
            severity: Some(Severity::Error),
        },
        Band {
            name: "unused-slot",
            case: "unused-slot",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 0.0,
            unit: "influences",
            severity: Some(Severity::Note),
        },
    ],
    requires: &[Need::Weights],
    reads: Reads::WEIGHTS,
    settings: &[],
    plantable: Plantable::Boolean,
    stability: Stability::Live,
    since: "1.0.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    for drawn in &ctx.facts.weights().drawn {
        let joints = ctx.rig.skins[drawn.skin.index()].joints.len();
        for (index, scan) in drawn.scans.iter().enumerate() {
            let Some(scan) = scan else { continue };
            let subject = Subject::Vertices(drawn.mesh, index as u32);
            let name = ctx.labels.name(&subject);
            if let Some(hit) = sink.judge("outside", scan.bad_joint.count as f64) {
                let text =
                    outside(&name, scan.bad_joint.count, scan.bad_joint.worst, joints, &scan.bad_joint.first);
                let fact = Fact::new(subject, text)
                    .evidence(
                        "influences outside the skin",
                        scan.bad_joint.count as f64,
                        hit.limit,
                        Unit::Count,
                    )
                    .evidence("largest index", scan.bad_joint.worst, Some(joints as f64 - 1.0), Unit::Count)
                    .identified_by(Subject::Skin(drawn.skin), "skin")
                    .fix(zero(drawn.mesh.0, index, Applicability::Review));
                sink.report(hit, fact);
            } else if let Some(hit) = sink.judge("unused-slot", scan.unused_slot as f64) {
                let fact = Fact::new(subject, unused(&name, scan.unused_slot))
                    .evidence("unused slots with an index", scan.unused_slot as f64, hit.limit, Unit::Count)
                    .identified_by(Subject::Skin(drawn.skin), "skin")
                    .fix(zero(drawn.mesh.0, index, Applicability::Safe));
                sink.report(hit, fact);
            }
        }
    }
}

fn zero(mesh: u32, primitive: usize, applicability: Applicability) -> Fix {
    Fix::Repair {
        applicability,
        name: "zero-influences".into(),
        arguments: json!({"mesh": mesh, "primitive": primitive}),
        summary: "set index and weight of these influences to zero and renormalise the rest".into(),
    }
}

fn outside(name: &str, influences: u64, largest: f64, joints: usize, first: &[u32]) -> String {
    let first = first.first().copied().unwrap_or_default();
    format!(
        "in {name} {} a joint outside the skin of {joints} (largest index {largest}, first at vertex {first}; limit 0)",
        count(influences, "influence names", "influences name")
    )
}

fn unused(name: &str, slots: u64) -> String {
    format!(
        "in {name} {} weight zero and a joint index that is not 0",
        count(slots, "influence slot has", "influence slots have")
    )
}
