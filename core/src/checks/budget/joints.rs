//! The number of joints.

use crate::check::wording::count;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Fact, Subject, Unit};
use crate::model::Reads;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "budget/joints",
    summary: "more joints than the target can afford",
    why: "every joint is evaluated, blended and sent in every picture, for every character that is seen",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("joints.md"),
    on: On::BOTH,
    bands: &[
        Band {
            name: "most",
            case: "",
            on: On::BOTH,
            bound: Bound::Above,
            limit: 100.0,
            unit: "joints",
            severity: None,
        },
        Band {
            name: "limit",
            case: "",
            on: On::BOTH,
            bound: Bound::Above,
            limit: 256.0,
            unit: "joints",
            severity: None,
        },
    ],
    requires: &[Need::Joints],
    reads: Reads::JOINTS,
    settings: &[],
    plantable: Plantable::Range { most: 1_000.0 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let joints = ctx.rig.joints.len();
    let Some(hit) = sink.judge("", joints as f64) else { return };
    let text = message(&ctx.labels.name(&Subject::Rig), joints as u64, hit.bound());
    sink.report(hit, Fact::new(Subject::Rig, text).evidence("joints", joints as f64, hit.limit, Unit::Count));
}

fn message(name: &str, joints: u64, limit: f64) -> String {
    format!("{name} has {} (limit {limit})", count(joints, "joint", "joints"))
}
