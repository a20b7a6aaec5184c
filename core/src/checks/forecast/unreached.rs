//! Skin that no deforming joint sees.

use crate::check::wording::{length, short};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Fact, Subject, Unit};
use crate::model::Reads;
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "forecast/unreached",
    summary: "skin that no deforming joint reaches from inside the body",
    why: "such skin moves with whatever its neighbours follow, and a part of the body without a joint cannot be posed",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("unreached.md"),
    on: On::PLAN,
    bands: &[
        Band {
            name: "some",
            case: "",
            on: On::PLAN,
            bound: Bound::Above,
            limit: 0.02,
            unit: "share of the body",
            severity: Some(Severity::Warning),
        },
        Band {
            name: "much",
            case: "",
            on: On::PLAN,
            bound: Bound::Above,
            limit: 0.05,
            unit: "share of the body",
            severity: Some(Severity::Error),
        },
    ],
    requires: &[Need::Body, Need::TrialBind],
    reads: Reads::JOINTS.union(Reads::MESH),
    settings: &[],
    plantable: Plantable::Range { most: 0.5 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let (Ok(bind), Some(body)) = (ctx.facts.trial_bind(), ctx.facts.solid()) else { return };
    let unseen = bind.unseen(body);
    let share = unseen.area / bind.graph.area;
    let Some(hit) = sink.judge("", share) else { return };
    let nearest = bind.joints[unseen.nearest as usize];
    let text = message(share, hit.bound(), ctx.name(nearest), unseen.farthest, bind.s);
    let fact = Fact::new(Subject::Rig, text)
        .evidence("share of the body", share, hit.limit, Unit::One)
        .length("distance to the nearest segment, at most", unseen.farthest, None, bind.s)
        .related(Subject::Joint(nearest), "nearest");
    sink.report(hit, fact);
}

fn message(share: f64, limit: f64, nearest: &str, farthest: f64, s: f64) -> String {
    format!(
        "{} % of the body sees no deforming joint from inside (limit {} %); the farthest skin is {} from {nearest}",
        short(share * 100.0),
        short(limit * 100.0),
        length(farthest, s)
    )
}
