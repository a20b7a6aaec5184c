//! A skeleton that was changed after the skin was bound.

use serde_json::json;

use crate::check::wording::{length, short};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::facts::TipKind;
use crate::finding::{Applicability, Fact, Fix, Subject, Unit};
use crate::model::{ChannelPath, JointId, NodeId, Reads, Rig, SkinId};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "bind/edited-after",
    summary: "the skeleton was changed after binding",
    why: "the skin still follows the joints where they used to be: it stretches or shears as soon as they turn",
    rule: Rule { title: "glTF 2.0", section: "3.7.3.1" },
    page: include_str!("edited_after.md"),
    on: On::GLTF,
    bands: &[Band {
        name: "edited",
        case: "",
        on: On::GLTF,
        bound: Bound::Above,
        limit: 0.01,
        unit: "share of the bind length",
        severity: Some(Severity::Error),
    }],
    requires: &[Need::Joints, Need::BindMatrices, Need::LongAxis],
    reads: Reads::JOINTS.union(Reads::BIND).union(Reads::CLIPS),
    settings: &[],
    plantable: Plantable::Range { most: 0.5 },
    stability: Stability::Live,
    since: "1.0.0",
    run,
};

struct Edited {
    joint: JointId,
    child: JointId,
    bind: f64,
    rest: f64,
    off: f64,
}

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let Some(limit) = sink.limit("") else { return };
    let bind = ctx.facts.bind();
    for index in 0..ctx.rig.skins.len() {
        let skin = SkinId::new(index);
        let edited: Vec<Edited> = (0..ctx.rig.joints.len())
            .map(JointId::new)
            .filter(|joint| bind.slot[joint.index()].is_some_and(|(of, _)| of == skin))
            .filter_map(|joint| measure(ctx, joint))
            .filter(|edited| edited.off > limit)
            .collect();
        let Some(worst) = edited.iter().max_by(|a, b| a.off.total_cmp(&b.off)) else { continue };
        let Some(hit) = sink.judge("", worst.off) else { continue };
        // One changed joint is named itself; more than one is the skin's matter.
        let subject = if edited.len() == 1 { Subject::Segment(worst.joint) } else { Subject::Skin(skin) };
        let s = ctx.facts.s();
        let text = message(
            &ctx.labels.name(&Subject::Skin(skin)),
            ctx.name(worst.joint),
            worst,
            s,
            edited.len() - 1,
            hit.bound(),
        );
        let mut fact = Fact::new(subject, text)
            .evidence("length off the bind length", worst.off, hit.limit, Unit::One)
            .evidence("length at bind", worst.bind * 1e3, None, Unit::Millimetre)
            .evidence("length at rest", worst.rest * 1e3, None, Unit::Millimetre)
            .related(Subject::Skin(skin), "skin");
        for one in edited.iter().take(50) {
            fact = fact
                .related(Subject::Joint(one.joint), "member")
                .related(Subject::Joint(one.child), "member");
        }
        let fix = Fix::Repair {
            applicability: Applicability::Review,
            name: "recompute-bind-matrices".into(),
            arguments: json!({"skin": skin.0}),
            summary: "bind the skin anew in the present rest pose".into(),
        };
        sink.report(hit, fact.fix(fix));
    }
}

/// A joined segment whose bind length lies outside the range that rest pose and clips drive.
fn measure(ctx: &Context<'_>, joint: JointId) -> Option<Edited> {
    let facts = ctx.facts;
    let TipKind::Child(child) = facts.tips()[joint.index()].kind else { return None };
    let frames = &facts.bind().joints;
    let (frame, end) = (&frames[joint.index()], &frames[child.index()]);
    if !(frame.from_matrix && end.from_matrix) {
        return None;
    }
    // In the parent's own units on both sides, so that a scale anywhere above cancels.
    let local = (frame.basis.transpose() * (end.origin - frame.origin)) / frame.scale;
    let rest = ctx.rig.joints[joint.index()].rest;
    let node = ctx.rig.joints[joint.index()].node?;
    let below = ctx.rig.joints[child.index()].node?;
    // A rest pose that hides the model by scaling it away has no lengths.
    let size = |axis: glam::DVec4| axis.truncate().length();
    if [rest.x_axis, rest.y_axis, rest.z_axis].into_iter().any(|axis| size(axis) < 1e-6)
        || scaled(ctx.rig, node, below)
    {
        return None;
    }
    let (bind, now) =
        (local.length(), rest.inverse().transform_point3(ctx.rig.joints[child.index()].origin()).length());
    if !(bind.is_finite() && now.is_finite()) || bind <= 0.0 {
        return None;
    }
    let (mut least, mut most) = (now, now);
    for channel in ctx.rig.clips.iter().flat_map(|clip| &clip.channels) {
        let (Some(target), ChannelPath::Translation) = (channel.node, channel.path) else { continue };
        if target == below && ctx.rig.nodes[below.index()].parent == Some(node) {
            for key in 0..channel.times.len() {
                let Some([x, y, z]) = channel.key(key) else { break };
                let driven = glam::DVec3::new(f64::from(*x), f64::from(*y), f64::from(*z)).length();
                if driven.is_finite() {
                    least = least.min(driven);
                    most = most.max(driven);
                }
            }
        } else if on_the_way(ctx.rig, node, below, target) {
            return None;
        }
    }
    let outside = (least - bind).max(bind - most).max(0.0);
    let metres = frame.scale.max_element();
    Some(Edited { joint, child, bind: bind * metres, rest: now * metres, off: outside / bind })
}

/// Scale between the two joints, static or animated: lengths there are not comparable.
fn scaled(rig: &Rig, top: NodeId, bottom: NodeId) -> bool {
    let driven = |node: NodeId| {
        rig.clips
            .iter()
            .flat_map(|clip| &clip.channels)
            .any(|c| c.node == Some(node) && c.path == ChannelPath::Scale && varies(&c.values))
    };
    driven(top) || driven(bottom)
}

fn varies(values: &[f32]) -> bool {
    values.chunks_exact(3).any(|v| v.iter().any(|c| (c - 1.0).abs() > 1e-3))
}

/// A node strictly between the two.
fn on_the_way(rig: &Rig, top: NodeId, bottom: NodeId, node: NodeId) -> bool {
    let mut at = rig.nodes[bottom.index()].parent;
    while let Some(up) = at {
        if up == top {
            return false;
        }
        if up == node {
            return true;
        }
        at = rig.nodes[up.index()].parent;
    }
    false
}

fn message(skin: &str, joint: &str, worst: &Edited, s: f64, more: usize, limit: f64) -> String {
    let also = if more > 0 { format!(", and {more} more") } else { String::new() };
    format!(
        "{joint} is {} long and was {} when {skin} was bound ({} % off{also}; limit {} %), and no clip drives that",
        length(worst.rest, s),
        length(worst.bind, s),
        short(worst.off * 100.0),
        short(limit * 100.0)
    )
}
