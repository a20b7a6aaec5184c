//! Joints of a skin that move nothing.

use std::collections::BTreeSet;

use serde_json::json;

use crate::check::wording::list;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, Subject, Unit};
use crate::model::{ChannelPath, JointId, NodeId, Reads, Rig, SkinId};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "structure/empty-joint",
    summary: "joints of a skin move no skin",
    why: "every joint of a skin costs a matrix on every frame, whether it moves anything or not",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("empty_joint.md"),
    on: On::GLTF,
    bands: &[Band {
        name: "empty",
        case: "",
        on: On::GLTF,
        bound: Bound::Fact,
        limit: 0.0,
        unit: "",
        severity: Some(Severity::Note),
    }],
    requires: &[Need::Weights],
    reads: Reads::JOINTS.union(Reads::WEIGHTS),
    settings: &[],
    plantable: Plantable::Boolean,
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let Some(hit) = sink.breach("") else { return };
    let rig = ctx.rig;
    let (tree, weights) = (ctx.facts.tree(), ctx.facts.weights());
    let carries = carriers(rig);
    let mut used: Vec<bool> = weights.loads.iter().map(|load| load.vertices > 0).collect();
    for joint in tree.order.iter().rev() {
        used[joint.index()] |= carries[joint.index()];
        if let Some(up) = tree.parent[joint.index()] {
            used[up.index()] |= used[joint.index()];
        }
    }
    let driven = driven(rig);
    let empty = |joint: JointId| {
        let index = joint.index();
        let above = tree.parent[index];
        // The end of a limb marks where the limb ends.
        let marker = tree.children[index].is_empty() && above.is_some_and(|up| ctx.facts.deforms(up));
        let steers = above.is_none() && rig.joints[index].node.is_some_and(|node| driven.contains(&node));
        !used[index] && !marker && !steers
    };
    // Skins that share joints: a joint is told with the first skin that lists it.
    let mut told = BTreeSet::new();
    for (number, skin) in rig.skins.iter().enumerate() {
        let idle: Vec<JointId> =
            skin.joints.iter().copied().filter(|joint| empty(*joint) && told.insert(*joint)).collect();
        if idle.is_empty() {
            continue;
        }
        let subject = Subject::Skin(SkinId::new(number));
        let names: Vec<&str> = idle.iter().map(|joint| ctx.name(*joint)).collect();
        let text = message(&ctx.labels.name(&subject), &list(names.into_iter()), idle.len());
        let mut fact = Fact::new(subject, text).evidence(
            "joints without skin",
            idle.len() as f64,
            Some(0.0),
            Unit::Count,
        );
        for joint in idle.iter().take(50) {
            fact = fact.related(Subject::Joint(*joint), "member");
        }
        // A slot with any weight at all, however small, cannot be taken out without touching the vertices.
        // One whose twin moves skin has lost its own by mistake: it stays.
        let lost = |joint: JointId| ctx.facts.twins().twin(joint).is_some_and(|twin| used[twin.index()]);
        let nodes: Vec<u32> = idle
            .iter()
            .filter(|joint| weights.load(**joint).any == 0 && !lost(**joint))
            .filter_map(|joint| Some(rig.joints[joint.index()].node?.0))
            .collect();
        let fix = (!nodes.is_empty() && nodes.len() < skin.joints.len()).then(|| Fix::Repair {
            applicability: Applicability::Review,
            name: "remove-joints".into(),
            summary: format!("take {} out of the skin's list", nodes.len()),
            arguments: json!({"skin": number, "nodes": nodes}),
        });
        sink.report(hit, fact.fix(fix));
    }
}

/// Joints that a mesh without a skin hangs from, at any depth.
fn carriers(rig: &Rig) -> Vec<bool> {
    let mut carries = vec![false; rig.joints.len()];
    let mut seen = vec![false; rig.nodes.len()];
    for (index, _) in
        rig.nodes.iter().enumerate().filter(|(_, node)| node.mesh.is_some() && node.skin.is_none())
    {
        let mut at = Some(NodeId::new(index));
        while let Some(node) = at
            && !std::mem::replace(&mut seen[node.index()], true)
        {
            if let Some(joint) = rig.nodes[node.index()].joint {
                carries[joint.index()] = true;
            }
            at = rig.nodes[node.index()].parent;
        }
    }
    carries
}

/// Nodes that a clip moves or turns.
fn driven(rig: &Rig) -> BTreeSet<NodeId> {
    rig.clips
        .iter()
        .flat_map(|clip| &clip.channels)
        .filter(|channel| matches!(channel.path, ChannelPath::Translation | ChannelPath::Rotation))
        .filter_map(|channel| channel.node)
        .collect()
}

fn message(skin: &str, names: &str, number: usize) -> String {
    if number == 1 {
        format!("1 joint of {skin} moves no skin, nor does anything below it ({names})")
    } else {
        format!("{number} joints of {skin} move no skin, nor does anything below them ({names})")
    }
}
