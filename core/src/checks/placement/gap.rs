//! A joint that does not start where the one before it ends.

use glam::DVec3;

use crate::check::remedy;
use crate::check::wording::{length, share_of_s};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::facts::TipKind;
use crate::finding::{Applicability, Fact, Fix, Subject};
use crate::model::{JointId, Reads};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "placement/gap",
    summary: "a joint does not start at the tip of the one before it",
    why: "a part is drawn, solved and skinned as one run of segments; a gap bends in two places where one was meant",
    rule: Rule { title: "condyle.plan/1", section: "parts" },
    page: include_str!("gap.md"),
    on: On::PLAN,
    bands: &[Band {
        name: "gap",
        case: "",
        on: On::PLAN,
        bound: Bound::Above,
        limit: 1e-3,
        unit: "S",
        severity: Some(Severity::Error),
    }],
    requires: &[Need::Joints, Need::Parts],
    reads: Reads::JOINTS.union(Reads::PARTS),
    settings: &[],
    plantable: Plantable::Range { most: 0.05 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    for (above, joint) in promised(ctx) {
        let tip = &ctx.facts.tips()[above.index()];
        if tip.kind != TipKind::Declared {
            continue;
        }
        let s = ctx.facts.s();
        let metres = tip.point.distance(ctx.facts.origin(joint));
        let Some(hit) = sink.judge("", metres / s) else { continue };
        let text = message(ctx.name(joint), ctx.name(above), metres, s, hit.bound());
        let fact = Fact::new(Subject::Joint(joint), text)
            .related(Subject::Joint(above), "parent")
            .length("distance from the parent's tip", metres, hit.limit, s)
            .fix(snap(ctx, above, joint));
        sink.report(hit, fact);
    }
}

/// Parent and child wherever a plan promises that one starts at the other's tip. A chain that is broken or out of
/// order is another check's finding.
fn promised(ctx: &Context<'_>) -> Vec<(JointId, JointId)> {
    let parent = &ctx.facts.tree().parent;
    let mut pairs = Vec::new();
    for part in &ctx.rig.parts {
        if let (true, Some(Ok(first))) = (part.starts_at_parent_tip, part.joints.first())
            && let Some(above) = parent[first.index()]
        {
            pairs.push((above, *first));
        }
        for pair in part.joints.windows(2) {
            if let [Ok(above), Ok(joint)] = pair
                && parent[joint.index()] == Some(*above)
            {
                pairs.push((*above, *joint));
            }
        }
    }
    pairs.sort_unstable();
    pairs.dedup();
    pairs
}

/// Brings the two together: the joint goes back to its twin's mirror image where that is at the tip, or to the tip where
/// other joints start there too or the parent's long axis points there; else the tip goes to the joint.
fn snap(ctx: &Context<'_>, above: JointId, joint: JointId) -> Fix {
    let (facts, rig) = (ctx.facts, ctx.rig);
    let tip = facts.tips()[above.index()].point;
    let close = 1e-3 * facts.s();
    let shared = facts.tree().children[above.index()]
        .iter()
        .any(|other| *other != joint && facts.origin(*other).distance(tip) < close);
    let image =
        facts.mirror().zip(facts.twins().twin(joint)).map(|(plane, twin)| plane.mirror(facts.origin(twin)));
    let (summary, operation) = if let Some(image) = image.filter(|image| image.distance(tip) < close) {
        (
            "move the joint to its twin's mirror image, at its parent's tip",
            remedy::set_origin(rig, joint, image),
        )
    } else if shared || aims_at_tip(ctx, above, joint) {
        ("move the joint to its parent's tip", remedy::set_origin(rig, joint, tip))
    } else {
        ("move the parent's tip to the joint", remedy::set_tip(rig, above, facts.origin(joint)))
    };
    Fix::Patch { applicability: Applicability::Review, summary: summary.into(), patch: vec![operation] }
}

/// Whether the parent's long axis points at its tip and not at the joint: then it is the joint that was moved.
fn aims_at_tip(ctx: &Context<'_>, above: JointId, joint: JointId) -> bool {
    let facts = ctx.facts;
    let Some(axis) = facts.long_axis().filter(|_| ctx.rig.joints[above.index()].rotation.is_some()) else {
        return false;
    };
    let along = facts.bind().joints[above.index()].basis * axis.vector();
    let off = |point: DVec3| (point - facts.origin(above)).angle_between(along).to_degrees();
    let (tip, start) = (off(facts.tips()[above.index()].point), off(facts.origin(joint)));
    tip < 1.0 && start > tip + 0.01
}

fn message(name: &str, parent: &str, metres: f64, s: f64, limit: f64) -> String {
    format!("{name} starts {} from the tip of {parent} (limit {})", length(metres, s), share_of_s(limit))
}
