//! A parent that the suggester finds very unlikely, where it is sure of another.

use crate::check::adopt::hang;
use crate::check::wording::length;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Setting, Sink, Stability};
use crate::finding::{Fact, Subject, Unit};
use crate::model::{JointId, Parent, Reads};
use crate::parenting::{Doubt, Proposal};

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "structure/doubtful-parent",
    summary: "a joint hangs from a parent that hardly any skeleton would give it",
    why: "a joint under the wrong parent moves with the wrong part of the body, which shows only when it is animated",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("doubtful_parent.md"),
    on: On::BOTH,
    bands: &[Band {
        name: "doubtful",
        case: "",
        on: On::BOTH,
        bound: Bound::Below,
        limit: 0.05,
        unit: "probability",
        severity: None,
    }],
    requires: &[Need::Joints, Need::Names],
    reads: Reads::JOINTS.union(Reads::NAMES),
    settings: &[Setting { name: "other", about: "the least probability of the better parent", default: 0.9 }],
    plantable: Plantable::Aimed {
        aim: 0.25,
        reason: "it speaks only where the suggester is nearly sure of another parent: a joint that hangs elsewhere changes \
                 what is likely for all around it, and a doubt that is wrong costs more than one that is not told",
        kind: &Plantable::Boolean,
    },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    for doubt in ctx.facts.doubts() {
        let (Parent::Joint(present), Some(better)) =
            (&ctx.rig.joints[doubt.joint.index()].parent, doubt.parent)
        else {
            continue;
        };
        if doubt.probability < ctx.setting("other") || !plain(ctx, doubt.joint, *present, better) {
            continue;
        }
        if let Some(hit) = sink.judge("", doubt.present) {
            sink.report(hit, fact(ctx, doubt, *present, better, hit.limit));
        }
    }
}

/// Whether all three move skin, the better parent is nearer as well, and the joint is no limb's end that was hung from
/// a root on purpose to follow a target (D17).
fn plain(ctx: &Context<'_>, joint: JointId, present: JointId, better: JointId) -> bool {
    let deforming = [joint, present, better].iter().all(|j| ctx.facts.deforms(*j));
    let apart = |other: JointId| ctx.facts.origin(joint).distance(ctx.facts.origin(other));
    let tree = ctx.facts.tree();
    let cut_loose = tree.parent[present.index()].is_none();
    // Legs of one flank and fingers of one hand stand nearer to each other than to what carries them.
    let sibling = tree.parent[better.index()] == Some(present);
    let reach = if sibling { 0.25 } else { 1.0 };
    deforming && !cut_loose && apart(better) < reach * apart(present)
}

fn fact(ctx: &Context<'_>, doubt: &Doubt, present: JointId, better: JointId, limit: Option<f64>) -> Fact {
    let s = ctx.facts.s();
    let apart = |other: JointId| ctx.facts.origin(doubt.joint).distance(ctx.facts.origin(other));
    let proposal = Proposal {
        joint: doubt.joint,
        parent: Some(better),
        probability: doubt.probability,
        runner_up: None,
        reasons: doubt.reasons.clone(),
    };
    Fact::new(Subject::Joint(doubt.joint), message(ctx, doubt, present, better))
        .related(Subject::Joint(present), "parent")
        .identified_by(Subject::Joint(better), "better parent")
        .evidence("probability of the present parent", doubt.present, limit, Unit::One)
        .evidence("probability of the better parent", doubt.probability, None, Unit::One)
        .length("distance to the present parent", apart(present), None, s)
        .length("distance to the better parent", apart(better), None, s)
        .confidence(doubt.probability)
        .fix(hang(ctx, std::slice::from_ref(&proposal)))
}

fn message(ctx: &Context<'_>, doubt: &Doubt, present: JointId, better: JointId) -> String {
    let apart = ctx.facts.origin(doubt.joint).distance(ctx.facts.origin(present));
    format!(
        "{} hangs from {} ({} away), which has a probability of {:.1} %, and {} has {:.0} %",
        ctx.name(doubt.joint),
        ctx.name(present),
        length(apart, ctx.facts.s()),
        doubt.present * 100.0,
        ctx.name(better),
        doubt.probability * 100.0
    )
}
