//! A knee or an elbow too near to an end of its limb.

use crate::check::wording::short;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Fact, Subject, Unit};
use crate::model::Reads;
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "placement/hinge-order",
    summary: "a knee or elbow stands near an end of its limb",
    why: "two segments of very different length fold badly, and mostly the hinge was put where another joint belongs",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("hinge_order.md"),
    on: On::BOTH,
    bands: &[Band {
        name: "share",
        case: "",
        on: On::BOTH,
        bound: Bound::Below,
        limit: 0.2,
        unit: "1",
        severity: Some(Severity::Note),
    }],
    requires: &[Need::Joints],
    reads: Reads::JOINTS.union(Reads::BIND),
    settings: &[],
    plantable: Plantable::Aimed {
        aim: 0.4,
        reason: "without a plan's range a hinge is known by its two long segments: where it stands near an end of its \
                 limb, another joint is taken for it",
        kind: &Plantable::Range { most: 0.1 },
    },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    for hinge in ctx.facts.hinges() {
        let (upper, lower) = (hinge.upper_length(), hinge.lower_length());
        let share = upper / (upper + lower);
        let Some(hit) = sink.judge("", share.min(1.0 - share)) else { continue };
        let text = message(ctx.name(hinge.mid), share, hit.bound());
        let fact = Fact::new(Subject::Joint(hinge.mid), text)
            .related(Subject::Joint(hinge.upper), "parent")
            .evidence(
                "length of the shorter segment over both",
                share.min(1.0 - share),
                hit.limit,
                Unit::One,
            );
        sink.report(hit, fact);
    }
}

fn message(name: &str, share: f64, limit: f64) -> String {
    format!(
        "{name} divides its limb at {} % of the length (limit {} to {} %)",
        short(share * 100.0),
        short(limit * 100.0),
        short((1.0 - limit) * 100.0)
    )
}
