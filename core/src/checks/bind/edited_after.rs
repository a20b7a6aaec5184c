//! A skeleton that was changed after the skin was bound.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::json;

use crate::check::wording::{length, short};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::facts::{Facts, TipKind, ValueScan};
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
    since: "0.9.0",
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
    let driven = Driven::new(ctx.facts);
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
fn measure(ctx: &Context<'_>, driven: &Driven, joint: JointId) -> Option<Edited> {
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
    if let Some((shortest, longest)) = driven.moved.get(&below).filter(|_| joined) {
        least = least.min(*shortest);
        most = most.max(*longest);
    }
    let outside = (least - bind).max(bind - most).max(0.0);
    let metres = frame.scale.max_element();
    Some(Edited { joint, child, bind: bind * metres, rest: now * metres, off: outside / bind })
}

/// What clips drive, by node, looked up once.
struct Driven {
    /// The shortest and the longest translation.
    moved: BTreeMap<NodeId, (f64, f64)>,
    /// Nodes whose scale a clip changes: lengths there are not comparable.
    scaled: BTreeSet<NodeId>,
}

impl Driven {
    fn new(facts: &Facts<'_>) -> Self {
        let mut out = Self { moved: BTreeMap::new(), scaled: BTreeSet::new() };
        for (number, clip) in facts.rig().clips.iter().enumerate() {
            for (at, channel) in clip.channels.iter().enumerate() {
                let scan = facts.keys().values(number, at);
                match (channel.node, channel.path) {
                    (Some(node), ChannelPath::Translation) => {
                        let (shortest, longest) =
                            out.moved.entry(node).or_insert((f64::INFINITY, f64::NEG_INFINITY));
                        *shortest = shortest.min(scan.shortest);
                        *longest = longest.max(scan.longest);
                    }
                    (Some(node), ChannelPath::Scale) if varies(scan) => {
                        out.scaled.insert(node);
                    }
                    _ => {}
                }
            }
        }
        out
    }
}

fn varies(scan: &ValueScan) -> bool {
    scan.low.iter().chain(&scan.high).any(|c| c.is_finite() && (c - 1.0).abs() > 1e-3)
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
