//! A piece that turns about another point than its joint.

use crate::check::wording::{length, share_of_s};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, PatchOp, Subject, vector_json};
use crate::model::Reads;
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "placement/piece-pivot",
    summary: "a piece's pivot is off the joint that carries it",
    why: "a piece turns about its joint's origin; drawn about another point it swings instead of turning",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("piece_pivot.md"),
    on: On::PLAN,
    bands: &[Band {
        name: "off",
        case: "",
        on: On::PLAN,
        bound: Bound::Above,
        limit: 2e-3,
        unit: "S",
        severity: Some(Severity::Error),
    }],
    requires: &[Need::Joints, Need::Pieces],
    reads: Reads::JOINTS.union(Reads::PARTS),
    settings: &[],
    plantable: Plantable::Range { most: 0.1 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let s = ctx.facts.s();
    for (index, piece) in ctx.rig.pieces.iter().enumerate() {
        let (Ok(joint), Some(pivot)) = (&piece.carried_by, piece.pivot) else { continue };
        let origin = ctx.facts.origin(*joint);
        let metres = pivot.distance(origin);
        let Some(hit) = sink.judge("", metres / s) else { continue };
        let fix = Fix::Patch {
            applicability: Applicability::Review,
            summary: format!("set the pivot to the origin of {}", ctx.name(*joint)),
            patch: vec![PatchOp::set(
                format!("/pieces/{index}/pivot"),
                vector_json(ctx.rig.frame.point_to_plan(origin)),
            )],
        };
        let text = message(&piece.name, ctx.name(*joint), metres, s, hit.bound());
        let fact = Fact::new(Subject::Piece(index as u32), text)
            .related(Subject::Joint(*joint), "carrier")
            .length("distance from the joint's origin", metres, hit.limit, s)
            .fix(fix);
        sink.report(hit, fact);
    }
}

fn message(piece: &str, joint: &str, metres: f64, s: f64, limit: f64) -> String {
    format!(
        "the pivot of {piece} is {} off the origin of {joint}, which carries it (limit {})",
        length(metres, s),
        share_of_s(limit)
    )
}
