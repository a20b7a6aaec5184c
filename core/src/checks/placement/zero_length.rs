//! A segment without length.

use crate::check::wording::{length, share_of_s};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::facts::TipKind;
use crate::finding::{Fact, Subject};
use crate::model::{JointId, Reads, Source};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "placement/zero-length",
    summary: "a segment has no length",
    why: "a segment without length has no direction: it cannot be aimed, solved or drawn, and skin bound to it moves about a point",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("zero_length.md"),
    on: On::BOTH,
    bands: &[
        Band {
            name: "plan",
            case: "",
            on: On::PLAN,
            bound: Bound::Below,
            limit: 5e-4,
            unit: "S",
            severity: Some(Severity::Error),
        },
        Band {
            name: "gltf",
            case: "",
            on: On::GLTF,
            bound: Bound::Below,
            limit: 5e-4,
            unit: "S",
            severity: Some(Severity::Warning),
        },
    ],
    requires: &[Need::Joints],
    reads: Reads::JOINTS,
    settings: &[],
    plantable: Plantable::Range { most: 0.0 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let facts = ctx.facts;
    let s = facts.s();
    for index in 0..ctx.rig.joints.len() {
        let joint = JointId::new(index);
        let children = &facts.tree().children[index];
        let (end, related) = match (ctx.rig.source, facts.tips()[index].kind, children.as_slice()) {
            (Source::Plan, TipKind::Declared, _) => (facts.tips()[index].point, None),
            // A part's joints follow each other: that is said, not guessed.
            (Source::Plan, TipKind::Child(child), _) if in_one_part(ctx, joint, child) => {
                (facts.origin(child), Some(child))
            }
            // Controls and palms start where others start; only a lone link between two deforming joints is a fault.
            (_, _, [child])
                if facts.deforms(joint) && facts.deforms(*child) && facts.tree().parent[index].is_some() =>
            {
                (facts.origin(*child), Some(*child))
            }
            _ => continue,
        };
        let metres = (end - facts.origin(joint)).length();
        let Some(hit) = sink.judge("", metres / s) else { continue };
        let text = message(ctx.name(joint), metres, s, hit.bound());
        let mut fact = Fact::new(Subject::Segment(joint), text).length("length", metres, hit.limit, s);
        if let Some(child) = related {
            fact = fact.related(Subject::Joint(child), "child");
        }
        sink.report(hit, fact);
    }
}

fn in_one_part(ctx: &Context<'_>, joint: JointId, child: JointId) -> bool {
    let part = |joint: JointId| ctx.rig.joints[joint.index()].part;
    part(joint).is_some() && part(joint) == part(child)
}

fn message(name: &str, metres: f64, s: f64, limit: f64) -> String {
    format!("{name} is {} long (limit {})", length(metres, s), share_of_s(limit))
}
