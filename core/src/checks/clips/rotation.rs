//! Rotation keys off unit length, with the wrong sign, or too far apart.

use serde_json::json;

use crate::check::wording::{count, deg, short};
use crate::check::{Band, Bound, Context, Descriptor, Hit, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, Subject, Unit};
use crate::model::{ChannelPath, ClipId, Interpolation, Reads};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "clips/rotation",
    summary: "rotation keys are off unit length, change sign in a spline, or are too far apart",
    why: "a rotation off unit length scales or skews the skin, a sign flip makes a spline spin the long way round, and a step near a half turn leaves the way round to chance",
    rule: Rule { title: "glTF 2.0", section: "3.11" },
    page: include_str!("rotation.md"),
    on: On::GLTF,
    bands: &[
        Band {
            name: "unit",
            case: "unit",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 1e-3,
            unit: "1",
            severity: Some(Severity::Error),
        },
        Band {
            name: "flip",
            case: "flip",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 0.0,
            unit: "keys",
            severity: Some(Severity::Warning),
        },
        Band {
            name: "step",
            case: "step",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 150.0,
            unit: "deg",
            severity: Some(Severity::Note),
        },
    ],
    requires: &[Need::Clips],
    reads: Reads::CLIPS,
    settings: &[],
    plantable: Plantable::Range { most: 0.5 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

/// The worst channel of a clip, and all that break a limit.
#[derive(Default)]
struct Worst {
    measured: f64,
    channel: usize,
    key: usize,
    channels: Vec<usize>,
    keys: usize,
}

impl Worst {
    fn add(&mut self, measured: f64, channel: usize, key: usize, keys: usize) {
        if self.channels.is_empty() || measured > self.measured {
            (self.measured, self.channel, self.key) = (measured, channel, key);
        }
        self.channels.push(channel);
        self.keys += keys;
    }
}

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let keys = ctx.facts.keys();
    let (unit, step) = (sink.limit("unit").unwrap_or(f64::MAX), sink.limit("step").unwrap_or(f64::MAX));
    let mut steps: Vec<(usize, Worst)> = Vec::new();
    for (number, clip) in ctx.rig.clips.iter().enumerate() {
        let (mut off, mut flips, mut far) = (Worst::default(), Worst::default(), Worst::default());
        for (at, channel) in clip.channels.iter().enumerate() {
            if channel.path != ChannelPath::Rotation {
                continue;
            }
            let scan = keys.values(number, at);
            if scan.off_unit.1 > unit {
                off.add(scan.off_unit.1, at, scan.off_unit.2, scan.off_unit.0);
            }
            if channel.interpolation == Interpolation::CubicSpline && scan.flips.0 > 0 {
                flips.add(scan.flips.0 as f64, at, scan.flips.1, scan.flips.0);
            }
            // A step is meant to jump; a node that deforms nothing (a wheel, a prop) is meant to spin.
            let moves = channel
                .node
                .and_then(|node| ctx.rig.nodes[node.index()].joint)
                .is_some_and(|joint| ctx.facts.deforms(joint));
            if moves && channel.interpolation != Interpolation::Step && scan.largest_step.0 > step {
                far.add(scan.largest_step.0, at, scan.largest_step.1, 1);
            }
        }
        if !off.channels.is_empty()
            && let Some(hit) = sink.judge("unit", off.measured)
        {
            let (clip, joint) = names(ctx, number, off.channel);
            let text = not_unit(&clip, &joint, &off, hit.bound());
            sink.report(
                hit,
                fact(number, &off, &hit, text, "length off one", Unit::One).fix(Fix::Repair {
                    applicability: Applicability::Safe,
                    name: "normalise-keys".into(),
                    arguments: json!({"clip": number, "channels": off.channels}),
                    summary: "bring the keys to unit length".into(),
                }),
            );
        }
        if !flips.channels.is_empty()
            && let Some(hit) = sink.judge("flip", flips.keys as f64)
        {
            let (clip, joint) = names(ctx, number, flips.channel);
            let text = flipped(&clip, &joint, &flips);
            flips.measured = flips.keys as f64;
            sink.report(
                hit,
                fact(number, &flips, &hit, text, "sign flips", Unit::Count).fix(Fix::Repair {
                    applicability: Applicability::Review,
                    name: "flip-keys".into(),
                    arguments: json!({"clip": number, "channels": flips.channels}),
                    summary: "give neighbouring keys the same sign, tangents with them".into(),
                }),
            );
        }
        if !far.channels.is_empty() {
            steps.push((number, far));
        }
    }
    // Large steps are a habit of the whole set of clips; one note tells the worst.
    let Some((number, far)) = steps.iter().max_by(|a, b| a.1.measured.total_cmp(&b.1.measured)) else {
        return;
    };
    if let Some(hit) = sink.judge("step", far.measured) {
        let (clip, joint) = names(ctx, *number, far.channel);
        let subject = if steps.len() == 1 { Subject::Clip(ClipId::new(*number)) } else { Subject::Rig };
        let text = apart(&clip, &joint, far, steps.len() - 1, hit.bound());
        let mut fact = Fact::new(subject, text)
            .evidence("largest turn between two keys", far.measured, hit.limit, Unit::Degree)
            .related(Subject::Channel(ClipId::new(*number), far.channel as u32), "worst");
        for (clip, _) in steps.iter().take(50) {
            fact = fact.related(Subject::Clip(ClipId::new(*clip)), "member");
        }
        sink.report(hit, fact);
    }
}

fn fact(clip: usize, worst: &Worst, hit: &Hit, text: String, quantity: &str, unit: Unit) -> Fact {
    let clip = ClipId::new(clip);
    Fact::new(Subject::Clip(clip), text)
        .evidence(quantity, worst.measured, hit.limit, unit)
        .evidence("keys", worst.keys as f64, None, Unit::Count)
        .related(Subject::Channel(clip, worst.channel as u32), "worst")
}

fn names(ctx: &Context<'_>, clip: usize, channel: usize) -> (String, String) {
    let node = ctx.rig.clips[clip].channels[channel].node;
    let driven = node.map_or_else(
        || "nothing".to_owned(),
        |node| {
            let joint = ctx.rig.nodes[node.index()].joint;
            ctx.labels.name(&joint.map_or(Subject::Node(node), Subject::Joint))
        },
    );
    (ctx.labels.name(&Subject::Clip(ClipId::new(clip))), driven)
}

fn not_unit(clip: &str, joint: &str, worst: &Worst, limit: f64) -> String {
    format!(
        "in {clip} {} off unit length, key {} of {joint} most by {} (limit {})",
        count(worst.keys as u64, "rotation key is", "rotation keys are"),
        worst.key,
        short(worst.measured),
        short(limit)
    )
}

fn flipped(clip: &str, joint: &str, worst: &Worst) -> String {
    format!(
        "in {clip} {} the sign of the one before inside a cubic spline, first key {} of {joint} (limit 0)",
        count(worst.keys as u64, "rotation key does not keep", "rotation keys do not keep"),
        worst.key
    )
}

fn apart(clip: &str, joint: &str, worst: &Worst, clips: usize, limit: f64) -> String {
    let more = if clips > 0 {
        format!(", and so do {}", count(clips as u64, "other clip", "other clips"))
    } else {
        String::new()
    };
    format!(
        "{clip} turns {joint} by {} from one key to the next, at key {}{more} (limit {})",
        deg(worst.measured),
        worst.key,
        deg(limit)
    )
}
