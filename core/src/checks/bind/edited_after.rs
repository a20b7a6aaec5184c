//! A skeleton that was changed after the skin was bound.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::json;

use crate::check::wording::{length, short};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::facts::TipKind;
use crate::finding::{Applicability, Fact, Fix, Subject, Unit};
use crate::model::{Channel, ChannelPath, JointId, NodeId, Reads, Rig, SkinId};
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
    let driven = Driven::new(ctx.rig);
    for index in 0..ctx.rig.skins.len() {
        let skin = SkinId::new(index);
        let edited: Vec<Edited> = (0..ctx.rig.joints.len())
            .map(JointId::new)
            .filter(|joint| bind.slot[joint.index()].is_some_and(|(of, _)| of == skin))
            .filter_map(|joint| measure(ctx, &driven, joint))
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
fn measure(ctx: &Context<'_>, driven: &Driven<'_>, joint: JointId) -> Option<Edited> {
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
        || driven.scaled.contains(&node)
        || driven.scaled.contains(&below)
    {
        return None;
    }
    let (bind, now) =
        (local.length(), rest.inverse().transform_point3(ctx.rig.joints[child.index()].origin()).length());
    if !(bind.is_finite() && now.is_finite()) || bind <= 0.0 {
        return None;
    }
    let (mut least, mut most) = (now, now);
    let joined = ctx.rig.nodes[below.index()].parent == Some(node);
    if between(ctx.rig, node, below).any(|way| driven.moved.contains_key(&way)) {
        return None;
    }
    for channel in driven.moved.get(&below).into_iter().flatten().filter(|_| joined) {
        for key in 0..channel.times.len() {
            let Some([x, y, z]) = channel.key(key) else { break };
            let driven = glam::DVec3::new(f64::from(*x), f64::from(*y), f64::from(*z)).length();
            if driven.is_finite() {
                least = least.min(driven);
                most = most.max(driven);
            }
        }
    }
    let outside = (least - bind).max(bind - most).max(0.0);
    let metres = frame.scale.max_element();
    Some(Edited { joint, child, bind: bind * metres, rest: now * metres, off: outside / bind })
}

/// What clips drive, by node, looked up once.
struct Driven<'a> {
    /// Translation channels.
    moved: BTreeMap<NodeId, Vec<&'a Channel>>,
    /// Nodes whose scale a clip changes: lengths there are not comparable.
    scaled: BTreeSet<NodeId>,
}

impl<'a> Driven<'a> {
    fn new(rig: &'a Rig) -> Self {
        let mut out = Self { moved: BTreeMap::new(), scaled: BTreeSet::new() };
        for channel in rig.clips.iter().flat_map(|clip| &clip.channels) {
            match (channel.node, channel.path) {
                (Some(node), ChannelPath::Translation) => out.moved.entry(node).or_default().push(channel),
                (Some(node), ChannelPath::Scale) if varies(&channel.values) => {
                    out.scaled.insert(node);
                }
                _ => {}
            }
        }
        out
    }
}

fn varies(values: &[f32]) -> bool {
    values.chunks_exact(3).any(|v| v.iter().any(|c| (c - 1.0).abs() > 1e-3))
}

/// The nodes strictly between the two, from the bottom.
fn between(rig: &Rig, top: NodeId, bottom: NodeId) -> impl Iterator<Item = NodeId> + '_ {
    let up = |node: NodeId| rig.nodes[node.index()].parent.filter(|above| *above != top);
    std::iter::successors(up(bottom), move |node| {
        rig.nodes[node.index()].parent.filter(|above| *above != top)
    })
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
