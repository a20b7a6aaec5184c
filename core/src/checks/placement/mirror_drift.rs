//! Twins that are not each other's mirror image.

use std::collections::BTreeSet;

use glam::DVec3;
use serde_json::json;

use crate::check::remedy;
use crate::check::wording::{count, length, share_of_s};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, PatchOp, Subject};
use crate::model::{JointId, Reads, Source};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "placement/mirror-drift",
    summary: "a joint is off its twin's mirror image",
    why: "mirrored poses and weights land beside the joint: one side of the character bends in another place",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("mirror_drift.md"),
    on: On::BOTH,
    bands: &[
        Band {
            name: "drift",
            case: "",
            on: On::BOTH,
            bound: Bound::Above,
            limit: 5e-3,
            unit: "S",
            severity: Some(Severity::Warning),
        },
        Band {
            name: "control",
            case: "control",
            on: On::BOTH,
            bound: Bound::Above,
            limit: 5e-3,
            unit: "S",
            severity: Some(Severity::Note),
        },
    ],
    requires: &[Need::Joints, Need::Symmetry],
    reads: Reads::JOINTS,
    settings: &[],
    plantable: Plantable::Range { most: 0.02 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

struct Drift {
    left: JointId,
    right: JointId,
    metres: f64,
}

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let facts = ctx.facts;
    let Some(plane) = facts.mirror() else { return };
    let s = facts.s();
    let Some(limit) = sink.limit("").or_else(|| sink.limit("control")) else { return };
    let drifting: Vec<Drift> = facts
        .twins()
        .pairs
        .iter()
        .filter(|(left, right)| !remedy::asymmetric(ctx.rig, *left) && !remedy::asymmetric(ctx.rig, *right))
        .map(|(left, right)| {
            let off = |a: DVec3, b: DVec3| plane.mirror(a).distance(b);
            let origin = off(facts.origin(*left), facts.origin(*right));
            let (a, b) = (&facts.tips()[left.index()], &facts.tips()[right.index()]);
            let declared = ctx.rig.source == Source::Plan && a.known() && b.known();
            let tip = if declared { off(a.point, b.point) } else { 0.0 };
            Drift { left: *left, right: *right, metres: origin.max(tip) }
        })
        .filter(|drift| drift.metres / s > limit)
        .collect();
    // A twin that is off takes the joints below along: one finding on the topmost pair.
    let drifted: BTreeSet<JointId> = drifting.iter().flat_map(|d| [d.left, d.right]).collect();
    let tree = facts.tree();
    let below = |top: &Drift| -> Vec<&Drift> {
        drifting
            .iter()
            .filter(|d| d.left != top.left && tree.ancestors(d.left).any(|up| up == top.left))
            .collect()
    };
    let tops: Vec<&Drift> =
        drifting.iter().filter(|drift| !tree.ancestors(drift.left).any(|up| drifted.contains(&up))).collect();
    // Several limbs that drift are one finding: the two sides were built apart.
    let groups: Vec<Vec<&Drift>> = if tops.len() > 2 {
        vec![drifting.iter().collect()]
    } else {
        tops.iter().map(|top| std::iter::once(*top).chain(below(top)).collect()).collect()
    };
    for group in groups {
        let Some(worst) = group.iter().max_by(|a, b| a.metres.total_cmp(&b.metres)) else { continue };
        let deforming = group.iter().any(|d| facts.deforms(d.left) || facts.deforms(d.right));
        let Some(hit) = sink.judge(if deforming { "" } else { "control" }, worst.metres / s) else {
            continue;
        };
        let (left, right) = (ctx.name(worst.left), ctx.name(worst.right));
        let subject =
            if tops.len() > 2 { Subject::Rig } else { Subject::Pair(group[0].left, group[0].right) };
        let mut fact = Fact::new(
            subject,
            message(left, right, worst.metres, s, hit.bound(), group.len() - 1),
        )
        .length("distance from the mirror image", worst.metres, hit.limit, s);
        for drift in &group {
            fact =
                fact.related(Subject::Joint(drift.left), "twin").related(Subject::Joint(drift.right), "twin");
        }
        let pairs: Vec<(JointId, JointId)> = group.iter().map(|d| (d.left, d.right)).collect();
        sink.report(hit, fact.fix(mirror(ctx, &pairs)));
    }
}

/// Of each pair, puts the one that left its place onto the other's mirror image; the tip that met its origin follows.
fn mirror(ctx: &Context<'_>, pairs: &[(JointId, JointId)]) -> Option<Fix> {
    let rig = ctx.rig;
    let plane = ctx.facts.mirror()?;
    let applicability = Applicability::Review;
    let moves: Vec<(JointId, JointId)> = pairs.iter().map(|pair| from_to(ctx, *pair)).collect();
    let right = moves.iter().zip(pairs).filter(|(moved, pair)| moved.1 == pair.1).count();
    let summary = match right {
        0 => "move the left twins onto the mirror image of the right ones",
        all if all == pairs.len() => "move the right twins onto the mirror image of the left ones",
        _ => "move the twins that left their places onto the mirror image of the others",
    }
    .to_owned();
    if rig.source == Source::Gltf {
        let list: Vec<_> = moves
            .iter()
            .filter_map(|(from, to)| {
                let node = |j: &JointId| rig.joints[j.index()].node.map(|n| n.0);
                Some(json!({"from": node(from)?, "to": node(to)?}))
            })
            .collect();
        return Some(Fix::Repair {
            applicability,
            name: "mirror-origin".into(),
            arguments: json!({"pairs": list, "normal": plane.normal.to_array(), "offset": plane.offset}),
            summary,
        });
    }
    let mut patch: Vec<PatchOp> = Vec::new();
    for (from, to) in &moves {
        let origin = plane.mirror(ctx.facts.origin(*from));
        patch.push(remedy::set_origin(rig, *to, origin));
        if let Some(tip) = rig.joints[from.index()].tip {
            patch.push(remedy::set_tip(rig, *to, plane.mirror(tip)));
        }
        if let Some(up) = ctx.facts.tree().parent[to.index()]
            && !moves.iter().any(|(_, moved)| *moved == up)
            && meets(ctx, *to) == Some(true)
        {
            patch.push(remedy::set_tip(rig, up, origin));
        }
    }
    Some(Fix::Patch { applicability, summary, patch })
}

/// Whose place is the model, and who is moved: the right one, unless it still starts at its parent's tip and the left
/// one does not, or the long axes around it fit its place and those around the left one do not.
fn from_to(ctx: &Context<'_>, (left, right): (JointId, JointId)) -> (JointId, JointId) {
    match (meets(ctx, left), meets(ctx, right)) {
        (Some(false), Some(true)) => (right, left),
        (Some(true), Some(false)) => (left, right),
        _ if misfit(ctx, left) > misfit(ctx, right) + 0.5 => (right, left),
        _ => (left, right),
    }
}

/// Degrees that the long axes of a joint and of its parent are off the segments that end and start at it.
fn misfit(ctx: &Context<'_>, joint: JointId) -> f64 {
    let (facts, tree) = (ctx.facts, ctx.facts.tree());
    let only = |joint: JointId| match tree.children[joint.index()].as_slice() {
        [child] => Some(*child),
        _ => None,
    };
    let off = |joint: JointId, end: DVec3| {
        let oriented = ctx.rig.source == Source::Gltf || ctx.rig.joints[joint.index()].rotation.is_some();
        let axis = facts.long_axis_of(joint).filter(|_| oriented)?;
        let along = facts.bind().joints[joint.index()].basis * axis.vector();
        let segment = (end - facts.origin(joint)).try_normalize()?;
        Some(along.dot(segment).abs().clamp(0.0, 1.0).acos().to_degrees())
    };
    let own = ctx.rig.joints[joint.index()].tip.or_else(|| only(joint).map(|child| facts.origin(child)));
    let above = tree.parent[joint.index()].filter(|up| only(*up) == Some(joint));
    let own = own.and_then(|end| off(joint, end)).unwrap_or(0.0);
    own + above.and_then(|up| off(up, facts.origin(joint))).unwrap_or(0.0)
}

/// Whether a joint starts at its parent's declared tip; nothing where none is declared.
fn meets(ctx: &Context<'_>, joint: JointId) -> Option<bool> {
    let tip = ctx.rig.joints[ctx.facts.tree().parent[joint.index()]?.index()].tip?;
    Some(tip.distance(ctx.facts.origin(joint)) < 1e-3 * ctx.facts.s())
}

fn message(left: &str, right: &str, metres: f64, s: f64, limit: f64, more: usize) -> String {
    let also = if more > 0 {
        format!(", with {}", count(more as u64, "more pair", "more pairs"))
    } else {
        String::new()
    };
    format!(
        "{right} is {} off the mirror image of {left}{also} (limit {})",
        length(metres, s),
        share_of_s(limit)
    )
}
