//! Elbows and knees that a clip bends farther than people can.

use glam::{DQuat, DVec3};

use crate::anatomy::limbs::arms_and_legs;
use crate::anatomy::motion::{HUMAN, Motion};
use crate::check::wording::{count, deg};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::facts::Hinge;
use crate::finding::{Fact, Subject, Unit};
use crate::model::{Channel, ChannelPath, ClipId, Interpolation, Reads};

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "clips/range",
    summary: "a clip bends an elbow or a knee beyond the range that people have",
    why: "a knee that folds through the thigh, or forwards, looks broken in every picture that shows it",
    rule: Rule {
        title: "Norkin, White: Measurement of Joint Motion",
        section: "table A.1; for the knee Soucie et al., Haemophilia 17:500–507, 2011",
    },
    page: include_str!("range.md"),
    on: On::GLTF,
    bands: &[
        Band {
            name: "flexion",
            case: "flexion",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 15.0,
            unit: "deg",
            severity: None,
        },
        Band {
            name: "extension",
            case: "extension",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 15.0,
            unit: "deg",
            severity: None,
        },
    ],
    requires: &[Need::Joints, Need::Clips],
    reads: Reads::CLIPS.union(Reads::JOINTS).union(Reads::BIND),
    settings: &[],
    plantable: Plantable::Range { most: 25.0 },
    stability: Stability::Live,
    since: "1.0.0",
    run,
};

/// A hinge bent by less at bind does not say which way it folds, degrees.
const LEAST_BEND: f64 = 5.0;

/// How far a hinge goes at worst, one way.
#[derive(Debug, Clone, Copy)]
struct Worst {
    clip: ClipId,
    /// Seconds.
    time: f64,
    /// Degrees from straight.
    bend: f64,
}

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    if sink.limit("flexion").is_none() && sink.limit("extension").is_none() {
        return;
    }
    for (hinge, arm) in arms_and_legs(ctx.facts) {
        let table = HUMAN
            .iter()
            .find(|row| row.joint == if arm { "elbow" } else { "knee" } && row.movement[0] == "flexion");
        let (Some(table), Some(fold)) = (table, Fold::of(ctx, &hinge)) else { continue };
        let mut worst: [Option<(Worst, u64)>; 2] = [None; 2];
        for (number, clip) in ctx.rig.clips.iter().enumerate() {
            let mut here: [Option<Worst>; 2] = [None; 2];
            for channel in clip.channels.iter().filter(|channel| fold.is_driven_by(ctx, channel)) {
                fold.scan(ClipId::new(number), channel, &mut here);
            }
            for (way, found) in here.into_iter().enumerate() {
                let beyond = |one: &Worst| one.bend - table.most[way];
                let Some(found) = found.filter(|one| sink.judge(BANDS[way], beyond(one)).is_some()) else {
                    continue;
                };
                worst[way] = Some(match worst[way] {
                    Some((known, clips)) if known.bend >= found.bend => (known, clips + 1),
                    Some((_, clips)) => (found, clips + 1),
                    None => (found, 1),
                });
            }
        }
        for (way, found) in worst.into_iter().enumerate() {
            if let Some((found, clips)) = found {
                tell(ctx, sink, &hinge, way, found, clips, table);
            }
        }
    }
}

/// The bands: the way that the hinge folds, and the other.
const BANDS: [&str; 2] = ["flexion", "extension"];

fn tell(
    ctx: &Context<'_>,
    sink: &mut Sink<'_>,
    hinge: &Hinge,
    way: usize,
    found: Worst,
    clips: u64,
    table: &Motion,
) {
    let most = table.most[way];
    let Some(hit) = sink.judge(BANDS[way], found.bend - most) else { return };
    let clip = ctx.labels.name(&Subject::Clip(found.clip));
    let text = message(ctx.name(hinge.mid), &clip, way, &found, most, hit.bound(), clips);
    let fact = Fact::new(Subject::Joint(hinge.mid), text)
        .evidence("degrees beyond the range", found.bend - most, hit.limit, Unit::Degree)
        .evidence("bend", found.bend, Some(most), Unit::Degree)
        .evidence("time", found.time, None, Unit::Second)
        .evidence("clips", clips as f64, None, Unit::Count)
        .related(Subject::Clip(found.clip), "clip");
    // No fix: which pose was meant is the animator's to say.
    sink.report(hit, fact);
}

/// A hinge in the frame of its upper joint, as its lower joint turns.
struct Fold {
    hinge: Hinge,
    /// Unit directions: of the upper segment in the upper joint's frame, of the lower one in the lower joint's.
    upper: DVec3,
    lower: DVec3,
    /// The axis about which it folds, in the upper joint's frame; none where it is straight at bind.
    axis: Option<DVec3>,
}

impl Fold {
    fn of(ctx: &Context<'_>, hinge: &Hinge) -> Option<Self> {
        let node = |joint: crate::model::JointId| ctx.rig.joints[joint.index()].node;
        let (up, mid) = (node(hinge.upper)?, node(hinge.mid)?);
        // A node between the two would have its own say.
        if ctx.rig.nodes[mid.index()].parent != Some(up) {
            return None;
        }
        let frames = &ctx.facts.bind().joints;
        let (a, b) = (frames[hinge.upper.index()].basis, frames[hinge.mid.index()].basis);
        if (a.determinant() - 1.0).abs() > 1e-2 || (b.determinant() - 1.0).abs() > 1e-2 {
            return None;
        }
        Some(Self {
            hinge: *hinge,
            upper: (a.transpose() * (hinge.at - hinge.start)).try_normalize()?,
            lower: (b.transpose() * (hinge.stop - hinge.at)).try_normalize()?,
            axis: hinge.normal().filter(|_| hinge.bend() >= LEAST_BEND).map(|normal| a.transpose() * normal),
        })
    }

    fn is_driven_by(&self, ctx: &Context<'_>, channel: &Channel) -> bool {
        channel.path == ChannelPath::Rotation
            && channel.readable
            && channel.node.is_some()
            && channel.node == ctx.rig.joints[self.hinge.mid.index()].node
    }

    /// The worst keys of a channel, each way.
    fn scan(&self, clip: ClipId, channel: &Channel, worst: &mut [Option<Worst>; 2]) {
        let group = if channel.interpolation == Interpolation::CubicSpline { 12 } else { 4 };
        let middle = if group == 12 { 4 } else { 0 };
        for (key, time) in channel.values.chunks_exact(group).zip(channel.times.iter()) {
            let [x, y, z, w] = [0, 1, 2, 3].map(|at| f64::from(key[middle + at]));
            let turn = DQuat::from_xyzw(x, y, z, w);
            if !(turn.length().is_finite() && turn.length() > 1e-6) {
                continue;
            }
            let lower = turn.normalize() * self.lower;
            let across = self.upper.cross(lower);
            let bend = across.length().atan2(self.upper.dot(lower)).to_degrees();
            let backwards = self.axis.is_some_and(|axis| across.dot(axis) < 0.0);
            let there = &mut worst[usize::from(backwards)];
            if there.is_none_or(|known| known.bend < bend) {
                *there = Some(Worst { clip, time: f64::from(*time), bend });
            }
        }
    }
}

fn message(name: &str, clip: &str, way: usize, found: &Worst, most: f64, limit: f64, clips: u64) -> String {
    let verb = if way == 0 { "folds" } else { "bends backwards" };
    let more = if clips > 1 {
        format!(", and in {}", count(clips - 1, "more clip", "more clips"))
    } else {
        String::new()
    };
    format!(
        "{name} {verb} by {} in {clip}{more}, {} beyond the {} that people have (limit {})",
        deg(found.bend),
        deg(found.bend - most),
        deg(most),
        deg(limit)
    )
}
