//! Keys that no player can use.

use crate::check::wording::count;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Fact, Subject, Unit};
use crate::model::{ChannelPath, ClipId, Reads};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "clips/times",
    summary: "keys whose times do not increase, are negative or no numbers, or that have no whole value",
    why: "a player looks for the two keys around the present time; where times go backwards it finds the wrong ones, and a value that is no number spoils the whole pose",
    rule: Rule { title: "glTF 2.0", section: "3.11" },
    page: include_str!("times.md"),
    on: On::GLTF,
    bands: &[
        Band {
            name: "times",
            case: "times",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 0.0,
            unit: "keys",
            severity: Some(Severity::Error),
        },
        Band {
            name: "values",
            case: "values",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 0.0,
            unit: "keys",
            severity: Some(Severity::Error),
        },
    ],
    requires: &[Need::Clips],
    reads: Reads::CLIPS,
    settings: &[],
    plantable: Plantable::Boolean,
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

#[derive(Default)]
struct Faults {
    channels: usize,
    not_finite: usize,
    negative: usize,
    unordered: usize,
    values: usize,
    missing: usize,
    first: Option<(usize, usize)>,
}

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let keys = ctx.facts.keys();
    for (number, clip) in ctx.rig.clips.iter().enumerate() {
        let mut faults = Faults::default();
        for (at, channel) in clip.channels.iter().enumerate().filter(|(_, channel)| channel.readable) {
            let (times, values) = (keys.times(number, at), keys.values(number, at));
            let bad_times = times.not_finite + times.negative + times.unordered;
            // Morph weights and what extensions define have as many numbers a key as their target says.
            let known =
                matches!(channel.path, ChannelPath::Translation | ChannelPath::Rotation | ChannelPath::Scale);
            let missing = if known && values.rest == 0 {
                times.count.abs_diff(values.count)
            } else {
                usize::from(known)
            };
            if bad_times + values.not_finite + missing == 0 {
                continue;
            }
            faults.channels += 1;
            faults.not_finite += times.not_finite;
            faults.negative += times.negative;
            faults.unordered += times.unordered;
            faults.values += values.not_finite;
            faults.missing += missing;
            let key = times.first_bad.or(values.first_bad).unwrap_or_else(|| times.count.min(values.count));
            faults.first.get_or_insert((at, key));
        }
        let late = faults.not_finite + faults.negative + faults.unordered;
        let spoilt = faults.values + faults.missing;
        let Some(hit) = sink.judge("times", late as f64).or_else(|| sink.judge("values", spoilt as f64))
        else {
            continue;
        };
        let (channel, key) = faults.first.unwrap_or_default();
        let clip_subject = Subject::Clip(ClipId::new(number));
        let place = Subject::Channel(ClipId::new(number), channel as u32);
        let text = message(&ctx.labels.name(&clip_subject), &faults, key, &driven(ctx, number, channel));
        let fact = Fact::new(clip_subject, text)
            .related(place, "first")
            .evidence("times that do not increase", faults.unordered as f64, hit.limit, Unit::Count)
            .evidence("negative times", faults.negative as f64, hit.limit, Unit::Count)
            .evidence("times that are no numbers", faults.not_finite as f64, hit.limit, Unit::Count)
            .evidence("values that are no numbers", faults.values as f64, hit.limit, Unit::Count)
            .evidence(
                "keys without value, or values without key",
                faults.missing as f64,
                hit.limit,
                Unit::Count,
            );
        sink.report(hit, fact);
    }
}

fn driven(ctx: &Context<'_>, clip: usize, channel: usize) -> String {
    let node = ctx.rig.clips[clip].channels.get(channel).and_then(|channel| channel.node);
    node.map_or_else(
        || "nothing".to_owned(),
        |node| {
            let joint = ctx.rig.nodes[node.index()].joint;
            ctx.labels.name(&joint.map_or(Subject::Node(node), Subject::Joint))
        },
    )
}

fn message(clip: &str, faults: &Faults, key: usize, driven: &str) -> String {
    let mut parts = Vec::new();
    let mut say = |n: usize, one: &str, many: &str| {
        if n > 0 {
            parts.push(count(n as u64, one, many));
        }
    };
    say(
        faults.unordered,
        "time that is not later than the one before",
        "times that are not later than the one before",
    );
    say(faults.negative, "negative time", "negative times");
    say(faults.not_finite, "time that is no number", "times that are no numbers");
    say(faults.values, "value that is no number", "values that are no numbers");
    say(faults.missing, "key without its value", "keys without their values");
    format!(
        "{clip} has {} in {} (limit 0; first: key {key} of {driven})",
        parts.join(", "),
        count(faults.channels as u64, "channel", "channels")
    )
}
