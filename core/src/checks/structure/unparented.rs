//! Joints whose parent nobody has decided.

use crate::check::adopt::adopt;
use crate::check::wording::count;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Fact, Subject, Unit};
use crate::model::{JointId, Parent, Reads};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "structure/unparented",
    summary: "a joint has no parent yet",
    why: "a branch that hangs from nothing stays behind when the character moves, and takes its skin with it",
    rule: Rule { title: "condyle.plan/1", section: "joints/parent" },
    page: include_str!("unparented.md"),
    on: On::PLAN,
    bands: &[Band {
        name: "undecided",
        case: "",
        on: On::PLAN,
        bound: Bound::Fact,
        limit: 0.0,
        unit: "",
        severity: Some(Severity::Error),
    }],
    requires: &[Need::Joints],
    reads: Reads::JOINTS,
    settings: &[],
    plantable: Plantable::Boolean,
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let Some(hit) = sink.breach("") else { return };
    for (index, joint) in ctx.rig.joints.iter().enumerate() {
        if joint.parent != Parent::Undecided {
            continue;
        }
        let id = JointId::new(index);
        let below = u64::from(ctx.facts.tree().subtree[index]).saturating_sub(1);
        let fact = Fact::new(Subject::Joint(id), message(ctx.name(id), below)).evidence(
            "joints that hang from it",
            below as f64,
            None,
            Unit::Count,
        );
        sink.report(hit, fact.fix(adopt(ctx, id)));
    }
}

fn message(name: &str, below: u64) -> String {
    let more = if below > 0 {
        format!(", with {} below it", count(below, "joint", "joints"))
    } else {
        String::new()
    };
    format!("{name} has no parent yet{more}")
}
