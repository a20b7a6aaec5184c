//! Two joints with one name.

use std::collections::{BTreeMap, BTreeSet};

use crate::check::remedy;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Subject, Unit};
use crate::model::{JointId, Reads, Source};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "structure/duplicate-name",
    summary: "two joints have one name",
    why: "motion and weights are handed over by name: with two joints of one name, one of them silently gets nothing",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("duplicate_name.md"),
    on: On::BOTH,
    bands: &[
        Band {
            name: "plan",
            case: "",
            on: On::PLAN,
            bound: Bound::Fact,
            limit: 0.0,
            unit: "",
            severity: Some(Severity::Error),
        },
        Band {
            name: "gltf",
            case: "",
            on: On::GLTF,
            bound: Bound::Fact,
            limit: 0.0,
            unit: "",
            severity: Some(Severity::Warning),
        },
    ],
    requires: &[Need::Names],
    reads: Reads::NAMES,
    settings: &[],
    plantable: Plantable::Boolean,
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let Some(hit) = sink.breach("") else { return };
    let mut by_name: BTreeMap<&str, Vec<JointId>> = BTreeMap::new();
    for (index, joint) in ctx.rig.joints.iter().enumerate() {
        if let Some(name) = joint.name.as_deref().map(str::trim).filter(|name| !name.is_empty()) {
            by_name.entry(name).or_default().push(JointId::new(index));
        }
    }
    // In a plan the first one listed is the one that references mean. The order of a glTF means nothing: there the
    // topmost one stands for the others, so that an exporter's order does not make another finding.
    if ctx.rig.source == Source::Gltf {
        let depth = &ctx.facts.tree().depth;
        for joints in by_name.values_mut() {
            joints.sort_by_key(|joint| (depth[joint.index()], ctx.name(*joint)));
        }
    }
    let mut taken: BTreeSet<String> = by_name.keys().map(|name| (*name).to_owned()).collect();
    for (name, joints) in by_name.iter().filter(|(_, joints)| joints.len() > 1) {
        let mut renames = Vec::new();
        let mut number = 2;
        for joint in &joints[1..] {
            while !taken.insert(format!("{name}_{number}")) {
                number += 1;
            }
            renames.push((*joint, format!("{name}_{number}")));
        }
        let summary = format!("give the later {name} a name of its own");
        let mut fact = Fact::new(Subject::Joint(joints[0]), message(name, joints.len())).evidence(
            "joints of this name",
            joints.len() as f64,
            Some(1.0),
            Unit::Count,
        );
        for joint in &joints[1..] {
            fact = fact.related(Subject::Joint(*joint), "same name");
        }
        // References by this name meant one of the two; which one is for a person to say.
        sink.report(hit, fact.fix(remedy::rename(ctx.rig, &renames, Applicability::Review, summary)));
    }
}

fn message(name: &str, count: usize) -> String {
    format!("{count} joints are called {name}")
}
