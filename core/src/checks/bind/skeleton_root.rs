//! A skeleton member that is no root of its joints.

use std::collections::BTreeMap;

use serde_json::json;

use crate::check::wording::{count, list};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, Subject, Unit};
use crate::model::{JointId, NodeId, Reads, SkinId};
use crate::report::Severity;

/// Members listed with a finding.
const LISTED: usize = 32;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "bind/skeleton-root",
    summary: "skin.skeleton is no ancestor of all joints",
    why: "it plays no part in the maths, but readers that build their skeleton from it lose the joints outside, and strict ones refuse the file",
    rule: Rule { title: "glTF 2.0", section: "3.7.3.1" },
    page: include_str!("skeleton_root.md"),
    on: On::GLTF,
    bands: &[Band {
        name: "root",
        case: "",
        on: On::GLTF,
        bound: Bound::Above,
        limit: 0.0,
        unit: "joints",
        severity: Some(Severity::Warning),
    }],
    requires: &[Need::Skins],
    reads: Reads::JOINTS,
    settings: &[],
    plantable: Plantable::Boolean,
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let rig = ctx.rig;
    // Skins that name one node leave out joints for one reason.
    let mut by_root: BTreeMap<NodeId, Vec<(SkinId, Vec<JointId>)>> = BTreeMap::new();
    for (index, skin) in rig.skins.iter().enumerate() {
        let Some(root) = skin.skeleton else { continue };
        // Nodes at or below the root, marked once: parents are looked up, each node once.
        let mut below: Vec<Option<bool>> = vec![None; rig.nodes.len()];
        below[root.index()] = Some(true);
        let mut path = Vec::new();
        let mut outside = Vec::new();
        for joint in &skin.joints {
            let mut at = rig.joints[joint.index()].node;
            let found = loop {
                let Some(node) = at else { break false };
                if let Some(known) = below[node.index()] {
                    break known;
                }
                path.push(node);
                at = rig.nodes[node.index()].parent;
            };
            path.drain(..).for_each(|node| below[node.index()] = Some(found));
            if !found {
                outside.push(*joint);
            }
        }
        if !outside.is_empty() {
            by_root.entry(root).or_default().push((SkinId::new(index), outside));
        }
    }
    for (root, skins) in by_root {
        tell(ctx, sink, root, &skins);
    }
}

fn tell(ctx: &Context<'_>, sink: &mut Sink<'_>, root: NodeId, skins: &[(SkinId, Vec<JointId>)]) {
    let Some((skin, outside)) = skins.first() else { return };
    let most = skins.iter().map(|(_, outside)| outside.len()).max().unwrap_or(0);
    let Some(hit) = sink.judge("", most as f64) else { return };
    let names = list(outside.iter().map(|joint| ctx.name(*joint)));
    let more = skins.len() - 1;
    let text = message(
        &ctx.labels.name(&Subject::Skin(*skin)),
        more,
        &ctx.labels.name(&Subject::Node(root)),
        outside.len(),
        ctx.rig.skins[skin.index()].joints.len(),
        &names,
    );
    let arguments = match skins {
        [(only, _)] => json!({"skin": only.0}),
        _ => json!({"skins": skins.iter().map(|(skin, _)| skin.0).collect::<Vec<_>>()}),
    };
    let mut fact = Fact::new(Subject::Skin(*skin), text)
        .evidence("joints not below it", most as f64, hit.limit, Unit::Count)
        .fix(Fix::Repair {
            applicability: Applicability::Safe,
            name: "remove-skeleton".into(),
            arguments,
            summary: "drop the skeleton member: it plays no part in the maths".into(),
        });
    for (other, _) in &skins[1..] {
        fact = fact.related(Subject::Skin(*other), "skin");
    }
    for joint in outside.iter().take(LISTED) {
        fact = fact.related(Subject::Joint(*joint), "member");
    }
    sink.report(hit, fact);
}

fn message(skin: &str, more: usize, root: &str, outside: usize, joints: usize, names: &str) -> String {
    let also = if more > 0 {
        format!(" and {}", count(more as u64, "more skin", "more skins"))
    } else {
        String::new()
    };
    let verb = if outside == 1 { "lies" } else { "lie" };
    format!(
        "the skeleton of {skin}{also} is {root}, and {outside} of {joints} joints {verb} not below it: {names} (limit 0)"
    )
}
