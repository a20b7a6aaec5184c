//! A knee or an elbow whose bend axis is not the one it bends about.

use glam::{DQuat, DVec3};
use serde_json::json;

use crate::check::remedy;
use crate::check::wording::deg;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Setting, Sink, Stability};
use crate::facts::Hinge;
use crate::finding::{Applicability, Fact, Fix, Subject, Unit, round};
use crate::model::{JointId, Reads, Source};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "orientation/hinge-axis",
    summary: "a hinge's bend axis is off the normal of its limb's plane",
    why: "a knee that is folded about its bend axis leaves the plane of the leg and swings the foot sideways",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("hinge_axis.md"),
    on: On::BOTH,
    bands: &[Band {
        name: "off",
        case: "",
        on: On::BOTH,
        bound: Bound::Above,
        limit: 20.0,
        unit: "deg",
        severity: Some(Severity::Warning),
    }],
    requires: &[Need::Joints, Need::Orientations, Need::LongAxis],
    reads: Reads::JOINTS.union(Reads::BIND),
    settings: &[Setting {
        name: "least-bend",
        about: "a limb bent by less has no plane to speak of, degrees",
        default: 8.0,
    }],
    plantable: Plantable::Modulo { most: 45.0, period: 90.0 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

/// A hinge this near to the normal, as a share of the limit, was aimed.
const AIMED: f64 = 0.5;

struct Off {
    mid: JointId,
    /// Signed turn about the long axis that would put the bend axis on the normal, degrees.
    turn: f64,
    bend: f64,
}

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let Some(limit) = sink.limit("") else { return };
    let all: Vec<Off> = ctx.facts.hinges().iter().filter_map(|hinge| measure(ctx, hinge)).collect();
    // The nearest of two axes is within half the limit of any normal once in four or five times, so only a rig that aims
    // as many hinges as it leaves off is known to aim them at all; a plan may say so.
    let aimed = all.iter().filter(|one| one.turn.abs() <= AIMED * limit).count();
    let off: Vec<Off> = all.into_iter().filter(|one| one.turn.abs() > limit).collect();
    if ctx.rig.declared_bend_axis.is_none() && aimed < off.len() {
        return;
    }
    let twins = ctx.facts.twins();
    let limbs = off.iter().filter(|one| !twins.pairs.iter().any(|(_, right)| *right == one.mid)).count();
    // Several limbs are one finding: the rig's hinges were never aimed.
    if limbs > 2 {
        let Some(worst) = off.iter().max_by(|a, b| a.turn.abs().total_cmp(&b.turn.abs())) else { return };
        let Some(hit) = sink.judge("", worst.turn.abs()) else { return };
        let text = everywhere(ctx.name(worst.mid), off.len(), worst.turn.abs(), hit.bound());
        let mut fact = Fact::new(Subject::Rig, text).evidence(
            "largest angle off the normal of the limb's plane",
            worst.turn.abs(),
            hit.limit,
            Unit::Degree,
        );
        for one in off.iter().take(50) {
            fact = fact.related(Subject::Joint(one.mid), "member");
        }
        sink.report(hit, fact.fix(turn(ctx, &off.iter().collect::<Vec<_>>())));
        return;
    }
    for one in &off {
        let twin = twins.twin(one.mid).and_then(|twin| off.iter().find(|other| other.mid == twin));
        if twin.is_some() && twins.pairs.iter().any(|(_, right)| *right == one.mid) {
            continue;
        }
        let both: Vec<&Off> = std::iter::once(one).chain(twin).collect();
        let worst = both.iter().map(|one| one.turn.abs()).fold(0.0, f64::max);
        let Some(hit) = sink.judge("", worst) else { continue };
        let subject = twin.map_or(Subject::Joint(one.mid), |twin| Subject::Pair(one.mid, twin.mid));
        let text = message(ctx.name(one.mid), twin.map(|t| ctx.name(t.mid)), worst, one.bend, hit.bound());
        let mut fact = Fact::new(subject, text)
            .evidence("angle off the normal of the limb's plane", worst, hit.limit, Unit::Degree)
            .evidence("bend at rest", one.bend, None, Unit::Degree);
        if let Some(twin) = twin {
            fact = fact.related(Subject::Joint(twin.mid), "twin");
        }
        sink.report(hit, fact.fix(turn(ctx, &both)));
    }
}

/// The turn about the long axis between the bend axis (the declared one, or the nearest axis of the frame) and the
/// normal of the limb's plane.
fn measure(ctx: &Context<'_>, hinge: &Hinge) -> Option<Off> {
    let bend = hinge.bend();
    let joint = &ctx.rig.joints[hinge.mid.index()];
    // Of several hinges in one limb, each has a plane of its own, and a frame without twist fits none of them.
    if hinge.long > 3
        || bend < ctx.setting("least-bend")
        || (joint.node.is_none() && joint.rotation.is_none())
    {
        return None;
    }
    let normal = hinge.normal()?;
    let basis = ctx.facts.bind().joints[hinge.mid.index()].basis;
    let long = ctx.facts.long_axis()?;
    let along = (basis * long.vector()).try_normalize()?;
    let across = normal.reject_from_normalized(along).try_normalize()?;
    let about = |axis: DVec3| -> Option<f64> {
        let axis = (basis * axis).reject_from_normalized(along).try_normalize()?;
        let turn = along.dot(axis.cross(across)).atan2(axis.dot(across)).to_degrees();
        // An axis has no sign here: which way it folds is the range's matter.
        Some(turn - 180.0 * (turn / 180.0).round())
    };
    let turn = match ctx.rig.declared_bend_axis {
        Some(axis) => about(axis)?,
        None => (0..3)
            .filter(|axis| *axis != long.axis as usize)
            .filter_map(|axis| about(DVec3::AXES[axis]))
            .min_by(|a, b| a.abs().total_cmp(&b.abs()))?,
    };
    Some(Off { mid: hinge.mid, turn, bend })
}

fn turn(ctx: &Context<'_>, off: &[&Off]) -> Option<Fix> {
    let axis = ctx.facts.long_axis()?.vector();
    let applicability = Applicability::Review;
    let summary = "turn the bend axis onto the normal of the limb's plane".to_owned();
    if ctx.rig.source == Source::Gltf {
        let list: Vec<_> = off
            .iter()
            .filter_map(|one| {
                let node = ctx.rig.joints[one.mid.index()].node?;
                Some(json!({"node": node.0, "degrees": round(one.turn)}))
            })
            .collect();
        let arguments = json!({"nodes": list, "axis": axis.to_array()});
        return Some(Fix::Repair { applicability, name: "twist".into(), arguments, summary });
    }
    let patch = off
        .iter()
        .map(|one| {
            let now = DQuat::from_mat4(&ctx.rig.joints[one.mid.index()].rest);
            let turned = now * DQuat::from_axis_angle(axis, one.turn.to_radians());
            remedy::set_orientation(ctx.rig, one.mid, turned)
        })
        .collect();
    Some(Fix::Patch { applicability, summary, patch })
}

fn everywhere(name: &str, hinges: usize, off: f64, limit: f64) -> String {
    format!(
        "the bend axes of {hinges} hinges are off the normals of their limbs' planes, that of {name} most by {} (limit {})",
        deg(off),
        deg(limit)
    )
}

fn message(name: &str, twin: Option<&str>, off: f64, bend: f64, limit: f64) -> String {
    let who = twin.map_or_else(|| name.to_owned(), |twin| format!("{name} and its twin {twin}"));
    format!(
        "the bend axis of {who} is {} off the normal of the limb's plane, at a bend of {} (limit {})",
        deg(off),
        deg(bend),
        deg(limit)
    )
}
