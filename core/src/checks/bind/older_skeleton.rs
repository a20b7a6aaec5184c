//! A body that was bound to another skeleton than the plan's.

use std::collections::BTreeSet;

use serde_json::json;

use crate::check::wording::{count, list};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::facts::Facts;
use crate::finding::{Applicability, Fact, Fix, Subject, Unit};
use crate::model::{JointId, Reads};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "bind/older-skeleton",
    summary: "the body has joints that the plan does not have",
    why: "the skin that follows a joint which is gone will not move with the new skeleton, and the next bind starts from the wrong joints",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("older_skeleton.md"),
    on: On::PLAN,
    bands: &[
        Band {
            name: "weighted",
            case: "weighted",
            on: On::PLAN,
            bound: Bound::Above,
            limit: 0.0,
            unit: "vertices",
            severity: Some(Severity::Warning),
        },
        Band {
            name: "unweighted",
            case: "unweighted",
            on: On::PLAN,
            bound: Bound::Above,
            limit: 0.0,
            unit: "joints",
            severity: Some(Severity::Warning),
        },
    ],
    requires: &[Need::Body, Need::Names],
    reads: Reads::JOINTS.union(Reads::WEIGHTS),
    settings: &[],
    plantable: Plantable::Boolean,
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let Some(body) = ctx.facts.body() else { return };
    let known: BTreeSet<&str> = ctx.rig.joints.iter().filter_map(|joint| joint.name.as_deref()).collect();
    let old: Vec<JointId> = (0..body.rig().joints.len())
        .map(JointId::new)
        .filter(|joint| {
            body.rig().joints[joint.index()].name.as_deref().is_none_or(|name| !known.contains(name))
        })
        .collect();
    let called = |joint: &JointId| body.rig().joints[joint.index()].name.as_deref().unwrap_or("(no name)");
    let vertices: u64 = old.iter().map(|joint| body.weights().load(*joint).vertices).sum();
    let weighted: Vec<JointId> =
        old.iter().copied().filter(|joint| body.weights().load(*joint).any > 0).collect();
    if let Some(hit) = sink.judge("weighted", vertices as f64) {
        let text = moved(weighted.len(), vertices, &list(weighted.iter().map(called)));
        let fact = Fact::new(Subject::Rig, text)
            .evidence(
                "influences of joints that the plan does not have",
                vertices as f64,
                hit.limit,
                Unit::Count,
            )
            .evidence("such joints", weighted.len() as f64, None, Unit::Count)
            .fix(remove(body, &known, &old, true));
        sink.report(hit, fact);
    } else if let Some(hit) = sink.judge("unweighted", old.len() as f64) {
        let fact = Fact::new(Subject::Rig, idle(old.len(), &list(old.iter().map(called))))
            .evidence("joints that the plan does not have", old.len() as f64, hit.limit, Unit::Count)
            .fix(remove(body, &known, &old, false));
        sink.report(hit, fact);
    }
}

/// Off the list of the first skin that has such joints; weights go to the nearest joint above that the plan still has.
fn remove(body: &Facts<'_>, known: &BTreeSet<&str>, old: &[JointId], weighted: bool) -> Option<Fix> {
    let rig = body.rig();
    let kept =
        |joint: &JointId| rig.joints[joint.index()].name.as_deref().is_some_and(|name| known.contains(name));
    let node = |joint: JointId| rig.joints[joint.index()].node.map(|node| node.0);
    let (skin, nodes, heirs) = rig.skins.iter().enumerate().find_map(|(index, skin)| {
        let mine: Vec<JointId> = old.iter().copied().filter(|joint| skin.joints.contains(joint)).collect();
        let nodes: Vec<u32> = mine.iter().filter_map(|joint| node(*joint)).collect();
        let heir = |joint: &JointId| {
            // A root's go to what hangs from it.
            let below = body.tree().children[joint.index()].iter().copied();
            let mut near = body.tree().ancestors(*joint).chain(below);
            near.find(|one| kept(one) && skin.joints.contains(one)).and_then(node)
        };
        let heirs: Vec<Option<u32>> = mine.iter().map(heir).collect();
        (!nodes.is_empty() && nodes.len() < skin.joints.len()).then_some((index, nodes, heirs))
    })?;
    let (arguments, summary) = if weighted {
        (
            json!({"skin": skin, "nodes": nodes, "heirs": heirs}),
            "take these joints off the skin's list; their weights go to the nearest joints above that the plan has",
        )
    } else {
        (json!({"skin": skin, "nodes": nodes}), "take these joints off the skin's list; nothing follows them")
    };
    Some(Fix::Repair {
        applicability: Applicability::Review,
        name: "remove-joints".into(),
        arguments,
        summary: summary.into(),
    })
}

fn moved(joints: usize, vertices: u64, names: &str) -> String {
    format!(
        "in the body {} that the plan does not have: {names} ({}, limit 0)",
        count(joints as u64, "joint moves skin", "joints move skin"),
        count(vertices, "influence", "influences")
    )
}

fn idle(joints: usize, names: &str) -> String {
    format!(
        "the body was bound to {} that the plan does not have, without weight: {names} (limit 0)",
        count(joints as u64, "joint", "joints")
    )
}
