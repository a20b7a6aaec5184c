//! A joint that carries a piece and would drag skin.

use std::collections::BTreeMap;

use serde_json::json;

use crate::check::wording::short;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, PatchOp, Subject, Unit};
use crate::model::{JointId, Reads};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "forecast/carried-joint",
    summary: "a joint that carries a piece would drag skin if it were left deforming",
    why: "when the carried object moves on its own, this much of the skin goes with it",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("carried_joint.md"),
    on: On::PLAN,
    bands: &[Band {
        name: "share",
        case: "",
        on: On::PLAN,
        bound: Bound::Above,
        limit: 0.01,
        unit: "share of the body",
        severity: Some(Severity::Error),
    }],
    requires: &[Need::Pieces, Need::Body, Need::TrialBind],
    reads: Reads::JOINTS.union(Reads::MESH).union(Reads::PARTS),
    settings: &[],
    plantable: Plantable::Aimed {
        aim: 0.75,
        reason: "how much of a limb's skin a joint inside it wins is for the solver, and may be less than the limit",
        kind: &Plantable::Boolean,
    },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let Ok(bind) = ctx.facts.trial_bind() else { return };
    let mut carried: BTreeMap<JointId, Vec<u32>> = BTreeMap::new();
    for (index, piece) in ctx.rig.pieces.iter().enumerate() {
        if let Ok(joint) = piece.carried_by {
            carried.entry(joint).or_default().push(index as u32);
        }
    }
    let owned = bind.owned();
    for (joint, pieces) in &carried {
        let Some(slot) = bind.slot(*joint) else { continue };
        let share = owned[slot as usize] / bind.graph.area;
        let Some(hit) = sink.judge("", share) else { continue };
        let piece = &ctx.rig.pieces[pieces[0] as usize].name;
        let text = message(ctx.name(*joint), piece, share, hit.bound());
        let mut fact = Fact::new(Subject::Joint(*joint), text)
            .evidence("share of the body", share, hit.limit, Unit::One)
            .confidence(bind.confidence())
            .fix(Fix::Patch {
                applicability: Applicability::Safe,
                summary: "give it the role carrying".into(),
                patch: vec![PatchOp::set(format!("/joints/{}/role", joint.0), json!("carrying"))],
            });
        for piece in pieces {
            fact = fact.related(Subject::Piece(*piece), "piece");
        }
        sink.report(hit, fact);
    }
}

fn message(name: &str, piece: &str, share: f64, limit: f64) -> String {
    format!(
        "{name} carries {piece} and would drag {} % of the body's skin (limit {} %)",
        short(share * 100.0),
        short(limit * 100.0)
    )
}
