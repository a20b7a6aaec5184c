//! A side in the name of a joint on the middle.

use super::{ByName, ON_PLANE, SidedPairs, appended, off_plane};
use crate::check::remedy;
use crate::check::wording::{length, share_of_s};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Subject};
use crate::model::{JointId, Reads, Side};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "naming/side-on-centre",
    summary: "a joint on the middle is named for a side",
    why: "mirroring looks for its twin, finds none, and leaves the joint out or makes a second one on top of it",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("side_on_centre.md"),
    on: On::BOTH,
    bands: &[Band {
        name: "on-centre",
        case: "",
        on: On::BOTH,
        bound: Bound::Below,
        limit: ON_PLANE,
        unit: "S off the plane",
        severity: Some(Severity::Warning),
    }],
    requires: &[Need::Names, Need::Symmetry],
    reads: Reads::NAMES.union(Reads::JOINTS),
    settings: &[],
    plantable: Plantable::Boolean,
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    if !SidedPairs::new(ctx).conventional() {
        return;
    }
    let (facts, names, tree) = (ctx.facts, ctx.facts.names(), ctx.facts.tree());
    let known = ByName::new(ctx);
    let Some(plane) = facts.mirror() else { return };
    let s = facts.s();
    for index in 0..ctx.rig.joints.len() {
        let joint = JointId::new(index);
        let Some(side) = names.sided(joint) else { continue };
        // A limb's first joint may stand in the middle; its tip and what hangs from it do not.
        let tip = facts.tips()[index];
        let reach = tree.children[index]
            .iter()
            .map(|child| off_plane(ctx, *child))
            .fold(if tip.known() { plane.distance(tip.point).abs() / s } else { 0.0 }, f64::max);
        let off = off_plane(ctx, joint).max(reach);
        let Some(hit) = sink.judge("", off) else { continue };
        // Two that stand in the middle together, or a joint of a sided limb, are named well enough.
        let paired = names.mate(joint).is_some_and(|mate| known.has(&mate));
        let limb = tree.parent[index].is_some_and(|up| names.sided(up) == Some(side));
        if facts.twins().twin(joint).is_some() || paired || limb || remedy::asymmetric(ctx.rig, joint) {
            continue;
        }
        let stem = names.sides[index].as_ref().map(|token| token.stem(&names.plain[index]));
        let fix = stem.filter(|stem| !stem.is_empty() && !known.has(stem)).map(|stem| {
            let new = format!("{stem}{}", appended(ctx, joint));
            let summary = format!("rename to {new}");
            remedy::rename(ctx.rig, &[(joint, new)], Applicability::Review, summary)
        });
        let text = message(ctx.name(joint), side, off * s, s, hit.bound());
        let fact =
            Fact::new(Subject::Joint(joint), text).length("distance from the plane", off * s, hit.limit, s);
        sink.report(hit, fact.fix(fix));
    }
}

fn message(name: &str, side: Side, metres: f64, s: f64, limit: f64) -> String {
    let word = if side == Side::Left { "left" } else { "right" };
    format!(
        "{name} is named {word} and stands in the middle, {} off the plane (a side begins at {})",
        length(metres, s),
        share_of_s(limit)
    )
}
