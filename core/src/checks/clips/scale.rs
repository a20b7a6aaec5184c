//! Clips that scale joints which deform.

use std::collections::BTreeMap;

use crate::check::wording::{count, list, short};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Fact, Subject, Unit};
use crate::model::{ChannelPath, ClipId, JointId, Reads};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "clips/scale",
    summary: "clips scale joints that deform",
    why: "scale on a joint reaches everything below it and shears what is turned there; many programs that take clips over drop it",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("scale.md"),
    on: On::GLTF,
    bands: &[Band {
        name: "scale",
        case: "",
        on: On::GLTF,
        bound: Bound::Above,
        limit: 0.01,
        unit: "share",
        severity: Some(Severity::Note),
    }],
    requires: &[Need::Clips, Need::Weights],
    reads: Reads::CLIPS.union(Reads::WEIGHTS),
    settings: &[],
    plantable: Plantable::Range { most: 1.0 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let Some(limit) = sink.limit("") else { return };
    // Per joint the largest change, and the clip it happens in.
    let mut scaled: BTreeMap<JointId, (f64, usize)> = BTreeMap::new();
    for (number, clip) in ctx.rig.clips.iter().enumerate() {
        for (at, channel) in clip.channels.iter().enumerate() {
            let joint = channel.node.and_then(|node| ctx.rig.nodes[node.index()].joint);
            let Some(joint) =
                joint.filter(|joint| channel.path == ChannelPath::Scale && ctx.facts.deforms(*joint))
            else {
                continue;
            };
            let scan = ctx.facts.keys().values(number, at);
            // A constant factor is a matter of size, not of motion.
            let change = scan
                .low
                .iter()
                .zip(&scan.high)
                .map(|(low, high)| (high - low) / low.abs().max(high.abs()).max(f64::MIN_POSITIVE))
                .fold(0.0, f64::max);
            if change > limit {
                let worst = scaled.entry(joint).or_insert((0.0, number));
                if change > worst.0 {
                    *worst = (change, number);
                }
            }
        }
    }
    let Some((_, (most, clip))) = scaled.iter().max_by(|a, b| a.1.0.total_cmp(&b.1.0)) else { return };
    let Some(hit) = sink.judge("", *most) else { return };
    let clip = Subject::Clip(ClipId::new(*clip));
    let names: Vec<&str> = scaled.keys().map(|joint| ctx.name(*joint)).collect();
    let text = message(&names, *most, &ctx.labels.name(&clip), hit.bound());
    // One joint is named itself, several are the rig's matter.
    let subject = match scaled.keys().next() {
        Some(joint) if scaled.len() == 1 => Subject::Joint(*joint),
        _ => Subject::Rig,
    };
    let mut fact = Fact::new(subject, text)
        .evidence("largest change of scale", *most, hit.limit, Unit::One)
        .evidence("joints", scaled.len() as f64, None, Unit::Count)
        .related(clip, "clip");
    for joint in scaled.keys().take(50) {
        fact = fact.related(Subject::Joint(*joint), "member");
    }
    sink.report(hit, fact);
}

fn message(names: &[&str], most: f64, clip: &str, limit: f64) -> String {
    format!(
        "clips scale {} ({}), most by {} % in {clip} (limit {} %)",
        count(names.len() as u64, "deforming joint", "deforming joints"),
        list(names.iter().copied()),
        short(most * 100.0),
        short(limit * 100.0)
    )
}
