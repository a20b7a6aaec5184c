//! Influences by joints that the skin does not have.

use std::collections::BTreeMap;

use serde_json::json;

use crate::check::wording::count;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, Subject, Unit};
use crate::model::{MeshId, Reads, SkinId};
use crate::report::Severity;

/// Primitives listed with a skin.
const LISTED: usize = 32;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "skin/bad-joint",
    summary: "an influence names a joint outside the skin",
    why: "an index past the skin's joints reads garbage transforms on one machine and loses the device on another; one under a zero weight is harmless until somebody gives the slot a weight",
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
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let mut unused: BTreeMap<SkinId, Vec<(MeshId, usize, u64)>> = BTreeMap::new();
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
                    .fix(zero(&[(drawn.mesh.0, index)], Applicability::Review));
                sink.report(hit, fact);
            } else if scan.unused_slot > 0 {
                unused.entry(drawn.skin).or_default().push((drawn.mesh, index, scan.unused_slot));
            }
        }
    }
    // How an exporter fills unused slots is one habit, not one fault for each primitive.
    for (skin, list) in unused {
        let slots: u64 = list.iter().map(|(_, _, slots)| slots).sum();
        let Some(hit) = sink.judge("unused-slot", slots as f64) else { continue };
        let subject = Subject::Skin(skin);
        let text = idle(&ctx.labels.name(&subject), slots, list.len() as u64);
        let places: Vec<(u32, usize)> = list.iter().map(|(mesh, index, _)| (mesh.0, *index)).collect();
        let mut fact = Fact::new(subject, text)
            .evidence("unused slots with an index", slots as f64, hit.limit, Unit::Count)
            .evidence("primitives", list.len() as f64, None, Unit::Count)
            .fix(zero(&places, Applicability::Safe));
        for (mesh, index, _) in list.iter().take(LISTED) {
            fact = fact.related(Subject::Vertices(*mesh, *index as u32), "member");
        }
        sink.report(hit, fact);
    }
}

fn zero(places: &[(u32, usize)], applicability: Applicability) -> Fix {
    let place = |(mesh, primitive): &(u32, usize)| json!({"mesh": mesh, "primitive": primitive});
    Fix::Repair {
        applicability,
        name: "zero-influences".into(),
        arguments: match places {
            [one] => place(one),
            _ => json!({"primitives": places.iter().map(place).collect::<Vec<_>>()}),
        },
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

fn idle(name: &str, slots: u64, primitives: u64) -> String {
    format!(
        "in {} of {name} {} weight zero and a joint index that is not 0 (limit 0)",
        count(primitives, "primitive", "primitives"),
        count(slots, "influence slot has", "influence slots have")
    )
}
