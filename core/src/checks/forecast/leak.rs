//! Forecast weights that jump a gap.

use crate::check::wording::{length, short};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Fact, Subject, Unit};
use crate::model::Reads;
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "forecast/leak",
    summary: "a joint would get skin across a gap",
    why: "skin that is near in space and far along the body sticks to a joint that it has nothing to do with",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("leak.md"),
    on: On::PLAN,
    bands: &[Band {
        name: "weight",
        case: "",
        on: On::PLAN,
        bound: Bound::Above,
        limit: 0.1,
        unit: "1",
        severity: Some(Severity::Warning),
    }],
    requires: &[Need::Body, Need::TrialBind],
    reads: Reads::JOINTS.union(Reads::MESH),
    settings: &[],
    plantable: Plantable::Aimed {
        aim: 0.9,
        reason: "in a thin limb the skin that the joint wins may lie all around it, as near along the body as through the air",
        kind: &Plantable::Boolean,
    },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let Ok(bind) = ctx.facts.trial_bind() else { return };
    for leak in bind.leaks() {
        let Some(hit) = sink.judge("", leak.weight) else { continue };
        let joint = bind.joints[leak.slot as usize];
        let text = message(ctx.name(joint), leak.weight, leak.straight, leak.along, bind.s, hit.bound());
        let fact = Fact::new(Subject::Joint(joint), text)
            .evidence("largest weight", leak.weight, hit.limit, Unit::One)
            .evidence("share of the body", leak.area / bind.graph.area, None, Unit::One)
            .length("straight distance to the joint's own skin", leak.straight, None, bind.s)
            .length("distance along the skin, more than", leak.along, None, bind.s)
            .confidence(bind.confidence());
        sink.report(hit, fact);
    }
}

fn message(name: &str, weight: f64, straight: f64, along: f64, s: f64, limit: f64) -> String {
    format!(
        "{name} would get a weight of {} (limit {}) on skin {} from its own, and more than {} along the body",
        short(weight),
        short(limit),
        length(straight, s),
        length(along, s)
    )
}
