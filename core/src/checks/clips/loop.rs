//! Clips that almost end where they begin.

use crate::check::wording::{count, deg};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Setting, Sink, Stability};
use crate::facts::ValueScan;
use crate::finding::{Fact, Subject, Unit};
use crate::model::{ChannelPath, ClipId, Interpolation, JointId, Reads};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "clips/loop",
    summary: "a clip ends close to where it begins, but not there",
    why: "played in a loop the character twitches once in each round",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("loop.md"),
    on: On::GLTF,
    bands: &[Band {
        name: "gap",
        case: "",
        on: On::GLTF,
        bound: Bound::Above,
        limit: 2.0,
        unit: "deg",
        severity: Some(Severity::Note),
    }],
    requires: &[Need::Clips, Need::Weights],
    reads: Reads::CLIPS.union(Reads::WEIGHTS),
    settings: &[Setting {
        name: "one-shot",
        about: "a clip whose ends differ by more than this is not meant to loop, degrees",
        default: 10.0,
    }],
    plantable: Plantable::Range { most: 10.0 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

/// Pictures a second, as film has them.
const PICTURES: f64 = 24.0;

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let Some(limit) = sink.limit("") else { return };
    let one_shot = ctx.setting("one-shot");
    let keys = ctx.facts.keys();
    for (number, clip) in ctx.rig.clips.iter().enumerate() {
        let (mut most, mut joint, mut joints): (f64, Option<JointId>, u64) = (0.0, None, 0);
        for (at, channel) in clip.channels.iter().enumerate() {
            let driven = channel.node.and_then(|node| ctx.rig.nodes[node.index()].joint);
            let Some(driven) = driven.filter(|driven| {
                channel.path == ChannelPath::Rotation
                    && channel.interpolation != Interpolation::Step
                    && ctx.facts.deforms(*driven)
            }) else {
                continue;
            };
            let scan = keys.values(number, at);
            // Between two keys there is a move from one pose to another, not a round.
            if scan.count < 3 || scan.around <= pace(&channel.times, scan) {
                continue;
            }
            joints += u64::from(scan.around > limit);
            if scan.around > most {
                (most, joint) = (scan.around, Some(driven));
            }
        }
        let Some(joint) = joint.filter(|_| most <= one_shot) else { continue };
        let Some(hit) = sink.judge("", most) else { continue };
        let subject = Subject::Clip(ClipId::new(number));
        let text = message(&ctx.labels.name(&subject), ctx.name(joint), most, joints, hit.bound());
        let fact = Fact::new(subject, text)
            .evidence("largest turn from first to last key", most, hit.limit, Unit::Degree)
            .evidence("joints", joints as f64, None, Unit::Count)
            .related(Subject::Joint(joint), "worst");
        sink.report(hit, fact);
    }
}

/// How far the channel turns in one picture of film at its fastest, degrees: a cut of that size does not show, and a
/// clip that leaves out the closing picture has just that.
fn pace(times: &[f32], scan: &ValueScan) -> f64 {
    let (step, key) = scan.largest_step;
    let at = |key: usize| times.get(key).copied().map_or(f64::NAN, f64::from);
    let seconds = at(key) - at(key.saturating_sub(1));
    if seconds > 0.0 { step / seconds / PICTURES } else { 0.0 }
}

fn message(clip: &str, joint: &str, most: f64, joints: u64, limit: f64) -> String {
    format!(
        "{clip} ends {} from where it begins at {joint}, {} off by more than {}: it loops with a twitch",
        deg(most),
        count(joints, "joint is", "joints are"),
        deg(limit)
    )
}
