//! Chained joints whose length a clip changes.

use std::collections::BTreeMap;

use crate::check::wording::{count, list, short};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::facts::TipKind;
use crate::finding::{Fact, Subject, Unit};
use crate::model::{ChannelPath, ClipId, JointId, NodeId, Reads};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "clips/root-drift",
    summary: "clips change the length of chained joints that deform",
    why: "a segment that grows and shrinks stretches its skin, and a clip whose joints slide does not fit another skeleton",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("root_drift.md"),
    on: On::GLTF,
    bands: &[Band {
        name: "drift",
        case: "",
        on: On::GLTF,
        bound: Bound::Above,
        limit: 0.01,
        unit: "share of the length",
        severity: Some(Severity::Note),
    }],
    requires: &[Need::Clips, Need::Weights, Need::LongAxis],
    reads: Reads::CLIPS.union(Reads::JOINTS).union(Reads::BIND),
    settings: &[],
    plantable: Plantable::Range { most: 0.5 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let Some(limit) = sink.limit("") else { return };
    // A chained child's node, and the joint whose segment ends there.
    let mut ends: BTreeMap<NodeId, JointId> = BTreeMap::new();
    for (index, tip) in ctx.facts.tips().iter().enumerate() {
        let TipKind::Child(child) = tip.kind else { continue };
        let (joint, node) = (JointId::new(index), ctx.rig.joints[child.index()].node);
        let both = ctx.facts.deforms(joint) && ctx.facts.deforms(child);
        if let Some(node) =
            node.filter(|node| both && ctx.rig.nodes[node.index()].parent == ctx.rig.joints[index].node)
        {
            ends.insert(node, joint);
        }
    }
    let mut drifts: BTreeMap<JointId, (f64, usize)> = BTreeMap::new();
    for (number, clip) in ctx.rig.clips.iter().enumerate() {
        for (at, channel) in clip.channels.iter().enumerate() {
            let end =
                channel.node.filter(|_| channel.path == ChannelPath::Translation).and_then(|n| ends.get(&n));
            let Some(joint) = end else { continue };
            let scan = ctx.facts.keys().values(number, at);
            let change = (scan.longest - scan.shortest) / scan.longest;
            if change > limit {
                let worst = drifts.entry(*joint).or_insert((0.0, number));
                if change > worst.0 {
                    *worst = (change, number);
                }
            }
        }
    }
    let Some((_, (most, clip))) = drifts.iter().max_by(|a, b| a.1.0.total_cmp(&b.1.0)) else { return };
    let Some(hit) = sink.judge("", *most) else { return };
    let clip = Subject::Clip(ClipId::new(*clip));
    let names: Vec<&str> = drifts.keys().map(|joint| ctx.name(*joint)).collect();
    let text = message(&names, *most, &ctx.labels.name(&clip), hit.bound());
    // One segment is named itself, several are the rig's matter.
    let subject = match drifts.keys().next() {
        Some(joint) if drifts.len() == 1 => Subject::Segment(*joint),
        _ => Subject::Rig,
    };
    let mut fact = Fact::new(subject, text)
        .evidence("largest change of length", *most, hit.limit, Unit::One)
        .evidence("segments", drifts.len() as f64, None, Unit::Count)
        .related(clip, "clip");
    for joint in drifts.keys().take(50) {
        fact = fact.related(Subject::Joint(*joint), "member");
    }
    sink.report(hit, fact);
}

fn message(names: &[&str], most: f64, clip: &str, limit: f64) -> String {
    format!(
        "clips change the length of {} ({}), most by {} % in {clip} (limit {} %)",
        count(names.len() as u64, "segment", "segments"),
        list(names.iter().copied()),
        short(most * 100.0),
        short(limit * 100.0)
    )
}
