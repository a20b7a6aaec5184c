//! Joints whose long axis is off their segment.

use glam::{DQuat, DVec3};
use serde_json::json;

use crate::check::remedy;
use crate::check::wording::{count, deg};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Setting, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, Subject, Unit, quaternion_json};
use crate::model::{JointId, Reads, Source};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "orientation/long-axis",
    summary: "a joint's long axis is off its segment",
    why: "a turn about the long axis is meant to twist the segment; off it, the same turn swings what hangs below",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("long_axis.md"),
    on: On::BOTH,
    bands: &[
        Band {
            name: "plan",
            case: "",
            on: On::PLAN,
            bound: Bound::Above,
            limit: 5.0,
            unit: "deg",
            severity: Some(Severity::Warning),
        },
        Band {
            name: "gltf",
            case: "",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 5.0,
            unit: "deg",
            severity: Some(Severity::Note),
        },
    ],
    requires: &[Need::Joints, Need::Orientations, Need::LongAxis],
    reads: Reads::JOINTS.union(Reads::BIND),
    settings: &[Setting {
        name: "offset",
        about: "beyond this angle the only child of a glTF joint is taken to stand elsewhere than at its tip, degrees",
        default: 15.0,
    }],
    plantable: Plantable::Range { most: 15.0 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

struct Off {
    joint: JointId,
    degrees: f64,
    /// The bind orientation that puts the axis on the segment.
    wanted: DQuat,
}

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let (Some(limit), Some(axis)) = (sink.limit(""), ctx.facts.long_axis()) else { return };
    let offset = ctx.setting("offset");
    let mut judged = 0_usize;
    let mut off: Vec<Off> = Vec::new();
    for joint in (0..ctx.rig.joints.len()).map(JointId::new) {
        if !ctx.facts.deforms(joint) {
            continue;
        }
        let Some(along) = segment(ctx, joint) else { continue };
        let basis = ctx.facts.bind().joints[joint.index()].basis;
        if (basis.determinant() - 1.0).abs() > 1e-2 {
            continue;
        }
        // Either way along the axis: limbs of one side often run against it.
        let now = basis * axis.vector();
        let now = if now.dot(along) < 0.0 { -now } else { now };
        let degrees = now.angle_between(along).to_degrees();
        judged += 1;
        let declared = ctx.rig.source == Source::Plan;
        if degrees > limit && (declared || degrees < offset) {
            let wanted = DQuat::from_rotation_arc(now, along) * DQuat::from_mat3(&basis);
            off.push(Off { joint, degrees, wanted: wanted.normalize() });
        }
    }
    let worst = off.iter().map(|one| one.degrees).fold(0.0, f64::max);
    // Several places are one finding: joints were moved and never aimed again.
    let groups = by_twins(ctx, off);
    if groups.len() > 2 {
        let off: Vec<Off> = groups.into_iter().flatten().collect();
        let Some(hit) = sink.judge("", worst) else { return };
        let text = everywhere(off.len(), judged, axis.text(), worst, hit.bound());
        let mut fact = Fact::new(Subject::Rig, text)
            .evidence("largest angle off the segment", worst, hit.limit, Unit::Degree)
            .evidence("joints", off.len() as f64, None, Unit::Count);
        for one in off.iter().take(50) {
            fact = fact.related(Subject::Joint(one.joint), "member");
        }
        sink.report(hit, fact.fix(aim(ctx, &off)));
        return;
    }
    for group in groups {
        let Some(first) = group.first() else { continue };
        let worst = group.iter().map(|one| one.degrees).fold(0.0, f64::max);
        let Some(hit) = sink.judge("", worst) else { continue };
        let subject = match group.as_slice() {
            [a, b] => Subject::Pair(a.joint, b.joint),
            _ => Subject::Joint(first.joint),
        };
        let twin = group.get(1).map(|one| ctx.name(one.joint));
        let text = message(ctx.name(first.joint), twin, axis.text(), worst, hit.bound());
        let mut fact =
            Fact::new(subject, text).evidence("angle off the segment", worst, hit.limit, Unit::Degree);
        if let [a, b] = group.as_slice() {
            fact = fact.related(Subject::Joint(a.joint), "twin").related(Subject::Joint(b.joint), "twin");
        }
        sink.report(hit, fact.fix(aim(ctx, &group)));
    }
}

/// The direction of a joint's segment: to the declared tip, or to the only child.
fn segment(ctx: &Context<'_>, joint: JointId) -> Option<DVec3> {
    let facts = ctx.facts;
    let this = &ctx.rig.joints[joint.index()];
    let end = match (this.tip, facts.tree().children[joint.index()].as_slice()) {
        (Some(tip), _) => tip,
        (None, [only]) if facts.deforms(*only) => facts.origin(*only),
        _ => return None,
    };
    if ctx.rig.source == Source::Plan && this.rotation.is_none() {
        return None;
    }
    let along = end - facts.origin(joint);
    (along.length() > 1e-3 * facts.s()).then(|| along.try_normalize()).flatten()
}

/// Twins that are both off are one finding.
fn by_twins(ctx: &Context<'_>, off: Vec<Off>) -> Vec<Vec<Off>> {
    let twins = ctx.facts.twins();
    let mut groups: Vec<Vec<Off>> = Vec::new();
    for one in off {
        let twin = twins.twin(one.joint);
        let there = twin.and_then(|twin| {
            groups.iter().position(|group| matches!(group.as_slice(), [first] if first.joint == twin))
        });
        match there {
            Some(at) => groups[at].push(one),
            None => groups.push(vec![one]),
        }
    }
    for group in &mut groups {
        if let [a, b] = group.as_slice()
            && twins.pairs.contains(&(b.joint, a.joint))
        {
            group.swap(0, 1);
        }
    }
    groups
}

/// A joint this far off its twin's mirror image was moved: where it goes back, its axis fits again. Fraction of S.
const MOVED: f64 = 5e-3;

/// The least turn that puts each long axis on its segment; nothing where a joint stands off its place.
fn aim(ctx: &Context<'_>, off: &[Off]) -> Option<Fix> {
    let (facts, twins) = (ctx.facts, ctx.facts.twins());
    let moved = |one: &Off| {
        let image =
            facts.mirror().zip(twins.twin(one.joint)).map(|(plane, twin)| plane.mirror(facts.origin(twin)));
        image.is_some_and(|image| image.distance(facts.origin(one.joint)) > MOVED * facts.s())
    };
    if off.iter().any(moved) {
        return None;
    }
    let applicability = Applicability::Review;
    let summary = "turn the long axis onto the segment".to_owned();
    if ctx.rig.source == Source::Gltf {
        let list: Vec<_> = off
            .iter()
            .filter_map(|one| {
                let node = ctx.rig.joints[one.joint.index()].node?;
                Some(json!({"node": node.0, "bind_orientation": quaternion_json(one.wanted)}))
            })
            .collect();
        let arguments = json!({"nodes": list});
        return Some(Fix::Repair { applicability, name: "orient".into(), arguments, summary });
    }
    let patch = off.iter().map(|one| remedy::set_orientation(ctx.rig, one.joint, one.wanted)).collect();
    Some(Fix::Patch { applicability, summary, patch })
}

fn message(name: &str, twin: Option<&str>, axis: &str, degrees: f64, limit: f64) -> String {
    let who = twin.map_or_else(|| name.to_owned(), |twin| format!("{name} and its twin {twin}"));
    format!("the long axis ({axis}) of {who} is {} off the segment (limit {})", deg(degrees), deg(limit))
}

fn everywhere(off: usize, judged: usize, axis: &str, worst: f64, limit: f64) -> String {
    format!(
        "the long axis ({axis}) is off the segment at {} of {judged}, by up to {} (limit {})",
        count(off as u64, "joint", "joints"),
        deg(worst),
        deg(limit)
    )
}
