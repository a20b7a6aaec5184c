//! A deforming joint that would win no skin.

use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Fact, Subject, Unit};
use crate::model::Reads;
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "forecast/idle",
    summary: "a deforming joint would win no skin",
    why: "a joint that is nowhere the strongest costs a slot and does next to nothing",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("idle.md"),
    on: On::PLAN,
    bands: &[Band {
        name: "idle",
        case: "",
        on: On::PLAN,
        bound: Bound::Fact,
        limit: 0.0,
        unit: "",
        severity: Some(Severity::Note),
    }],
    requires: &[Need::Body, Need::TrialBind],
    reads: Reads::JOINTS.union(Reads::MESH),
    settings: &[],
    plantable: Plantable::Boolean,
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let Ok(bind) = ctx.facts.trial_bind() else { return };
    let mut most = vec![0.0_f64; bind.joints.len()];
    for row in &bind.rows {
        for (slot, weight) in row.influences() {
            most[slot as usize] = most[slot as usize].max(weight);
        }
    }
    for (slot, owned) in bind.owned().iter().enumerate() {
        if *owned > 0.0 {
            continue;
        }
        let Some(hit) = sink.breach("") else { return };
        let joint = bind.joints[slot];
        let fact = Fact::new(Subject::Joint(joint), message(ctx.name(joint), most[slot]))
            .evidence("largest weight", most[slot], None, Unit::One)
            .confidence(bind.confidence());
        sink.report(hit, fact);
    }
}

fn message(name: &str, most: f64) -> String {
    format!("{name} deforms and would be the strongest joint of no skin: its largest weight is {most:.2}")
}
