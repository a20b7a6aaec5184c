//! A part that hangs from a place where no body has it.

use std::collections::BTreeMap;

use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Fact, Subject, Unit};
use crate::model::{JointId, Parent, PartId, PartKind, Reads, Side};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "structure/part-anchor",
    summary: "a part hangs from a place where no body has it",
    why: "a digit that hangs from the middle of an arm, or an eye from a leg, moves with the wrong bone in every pose",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("part_anchor.md"),
    on: On::PLAN,
    bands: &[
        Band {
            name: "place",
            case: "place",
            on: On::PLAN,
            bound: Bound::Fact,
            limit: 0.0,
            unit: "",
            severity: Some(Severity::Warning),
        },
        Band {
            name: "twins",
            case: "twins",
            on: On::PLAN,
            bound: Bound::Fact,
            limit: 0.0,
            unit: "",
            severity: Some(Severity::Warning),
        },
    ],
    requires: &[Need::Joints, Need::Parts],
    reads: Reads::JOINTS.union(Reads::PARTS),
    settings: &[],
    plantable: Plantable::Boolean,
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    for index in 0..ctx.rig.parts.len() {
        let id = PartId::new(index);
        if let Some((head, parent)) = anchor(ctx, id) {
            place(ctx, sink, id, head, parent);
        }
    }
    twins(ctx, sink);
}

/// The first joint of a part and its parent, where that lies in another part or in none.
fn anchor(ctx: &Context<'_>, id: PartId) -> Option<(JointId, JointId)> {
    let part = &ctx.rig.parts[id.index()];
    let head = *part.joints.first()?.as_ref().ok()?;
    match ctx.rig.joints[head.index()].parent {
        Parent::Joint(parent) if ctx.rig.joints[parent.index()].part != Some(id) => Some((head, parent)),
        _ => None,
    }
}

fn place(ctx: &Context<'_>, sink: &mut Sink<'_>, id: PartId, head: JointId, parent: JointId) {
    let part = &ctx.rig.parts[id.index()];
    let Some(under_id) = ctx.rig.joints[parent.index()].part else { return };
    let under = &ctx.rig.parts[under_id.index()];
    let (Some(kind), Some(below)) = (part.kind, under.kind) else { return };
    let from_end =
        under.joints.iter().rev().position(|joint| joint.as_ref().ok() == Some(&parent)).unwrap_or(0);
    let Some(text) = misplaced(ctx, kind, below, from_end) else { return };
    if let Some(hit) = sink.breach("place") {
        let message = format!(
            "{} ({}) hangs from {} of {}, {text}",
            part.name,
            word(kind),
            ctx.name(parent),
            under.name
        );
        let fact = Fact::new(Subject::Part(id), message)
            .evidence("joints of that part after it", from_end as f64, None, Unit::Count)
            .related(Subject::Joint(head), "member")
            .identified_by(Subject::Joint(parent), "parent");
        sink.report(hit, fact);
    }
}

/// Why a part of this kind cannot hang there; a kind that says nothing (brace, other) is never wrong.
fn misplaced(ctx: &Context<'_>, kind: PartKind, below: PartKind, from_end: usize) -> Option<&'static str> {
    use PartKind as K;
    let limb = matches!(below, K::Arm | K::Leg | K::Wing | K::Fin);
    match kind {
        K::Digit if limb && from_end > 1 => Some("which is not the end of that limb"),
        K::Digit if matches!(below, K::Spine | K::Neck | K::Head | K::Jaw | K::Eye | K::Ear | K::Tail) => {
            Some("and a digit hangs from the end of a limb")
        }
        K::Eye | K::Ear | K::Jaw if limb || matches!(below, K::Digit | K::Tail) => {
            Some("and it hangs from the head of every body")
        }
        K::Eye | K::Jaw if matches!(below, K::Spine | K::Neck) && has_head(ctx) => {
            Some("and the plan has a head for it")
        }
        K::Head | K::Neck
            if matches!(below, K::Arm | K::Leg | K::Wing | K::Fin | K::Digit | K::Eye | K::Ear) =>
        {
            Some("and it hangs from the spine or the neck of every body")
        }
        _ => None,
    }
}

fn has_head(ctx: &Context<'_>) -> bool {
    ctx.rig.parts.iter().any(|part| part.kind == Some(PartKind::Head))
}

/// Joints within this share of S of a mirrored place are there.
const NEAR: f64 = 0.02;

/// Parts that are each other's mirror image and hang from joints that are not.
fn twins(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let Some(plane) = ctx.facts.mirror() else { return };
    let at = |joint: JointId| ctx.facts.origin(joint);
    let near = NEAR * ctx.facts.s();
    let mirrors = |a: JointId, b: JointId| plane.mirror(at(a)).distance(at(b)) <= near;
    let mut right: BTreeMap<(Option<PartKind>, usize), Vec<PartId>> = BTreeMap::new();
    for (index, part) in ctx.rig.parts.iter().enumerate() {
        if part.side == Some(Side::Right) && !part.asymmetric {
            right.entry((part.kind, part.joints.len())).or_default().push(PartId::new(index));
        }
    }
    for (index, left) in ctx.rig.parts.iter().enumerate() {
        if left.side != Some(Side::Left) || left.asymmetric {
            continue;
        }
        let id = PartId::new(index);
        let Some((head, parent)) = anchor(ctx, id) else { continue };
        let alike = |other: &&PartId| {
            let joints = &ctx.rig.parts[other.index()].joints;
            let pairs = left.joints.iter().zip(joints);
            pairs.into_iter().all(|pair| matches!(pair, (Ok(a), Ok(b)) if mirrors(*a, *b)))
        };
        let others = right.get(&(left.kind, left.joints.len())).map_or(&[][..], Vec::as_slice);
        let Some(other_id) = others.iter().take(MOST_TWINS).find(alike) else { continue };
        let Some((other_head, other_parent)) = anchor(ctx, *other_id) else { continue };
        // Several joints at one place are as good as one.
        if !mirrors(head, other_head) || mirrors(parent, other_parent) {
            continue;
        }
        if let Some(hit) = sink.breach("twins") {
            let message = format!(
                "{} hangs from {} and its twin {} from {}, which is not its mirror image",
                left.name,
                ctx.name(parent),
                ctx.rig.parts[other_id.index()].name,
                ctx.name(other_parent)
            );
            let fact = Fact::new(Subject::Part(id), message).identified_by(Subject::Part(*other_id), "twin");
            sink.report(hit, fact);
        }
    }
}

/// Parts that one part is compared with.
const MOST_TWINS: usize = 200;

fn word(kind: PartKind) -> &'static str {
    use PartKind as K;
    match kind {
        K::Digit => "a digit",
        K::Eye => "an eye",
        K::Ear => "an ear",
        K::Jaw => "a jaw",
        K::Head => "a head",
        K::Neck => "a neck",
        _ => "a part",
    }
}
