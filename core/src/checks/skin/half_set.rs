//! Influence sets that lack their other half, or leave a number out.

use std::collections::BTreeSet;

use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Fact, Subject, Unit};
use crate::model::{MeshId, Reads};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "skin/half-set",
    summary: "joints without weights, weights without joints, or a gap in the numbering",
    why: "readers take a set only whole and in order, so half of one is dropped in silence, and with it the influences it held",
    rule: Rule { title: "glTF 2.0", section: "3.7.3.3" },
    page: include_str!("half_set.md"),
    on: On::GLTF,
    bands: &[
        Band {
            name: "half",
            case: "half",
            on: On::GLTF,
            bound: Bound::Fact,
            limit: 0.0,
            unit: "",
            severity: Some(Severity::Error),
        },
        Band {
            name: "gap",
            case: "gap",
            on: On::GLTF,
            bound: Bound::Fact,
            limit: 0.0,
            unit: "",
            severity: Some(Severity::Error),
        },
    ],
    requires: &[Need::Skins],
    reads: Reads::WEIGHTS,
    settings: &[],
    plantable: Plantable::Boolean,
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    for (mesh, one) in ctx.rig.meshes.iter().enumerate() {
        for (index, primitive) in one.primitives.iter().enumerate() {
            let subject = Subject::Primitive(MeshId::new(mesh), index as u32);
            let name = ctx.labels.name(&subject);
            let joints: BTreeSet<u32> = primitive.joint_sets.iter().copied().collect();
            let weights: BTreeSet<u32> = primitive.weight_sets.iter().copied().collect();
            if let Some(lonely) = joints.symmetric_difference(&weights).next()
                && let Some(hit) = sink.breach("half")
            {
                let text = half(&name, *lonely, joints.contains(lonely));
                let odd = joints.symmetric_difference(&weights).count();
                let fact = Fact::new(subject, text).evidence("half sets", odd as f64, Some(0.0), Unit::Count);
                sink.report(hit, fact);
            } else if let Some(last) = joints.last()
                && *last as usize >= joints.len()
                && let Some(hit) = sink.breach("gap")
            {
                let missing = (0..*last).find(|number| !joints.contains(number)).unwrap_or_default();
                let fact = Fact::new(subject, gap(&name, missing, *last)).evidence(
                    "first missing set",
                    f64::from(missing),
                    None,
                    Unit::Count,
                );
                sink.report(hit, fact);
            }
        }
    }
}

fn half(name: &str, number: u32, joints: bool) -> String {
    let (has, lacks) = if joints { ("JOINTS", "WEIGHTS") } else { ("WEIGHTS", "JOINTS") };
    format!("{name} has {has}_{number} without {lacks}_{number}")
}

fn gap(name: &str, missing: u32, last: u32) -> String {
    format!("{name} has influence set {last} without set {missing}")
}
