//! A parent that no joint has.

use serde_json::json;

use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, PatchOp, Subject};
use crate::model::{JointId, Parent, Reads, nearest};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "structure/unknown-parent",
    summary: "a joint names a parent that does not exist",
    why: "the joint and everything below it hang from nothing; importers drop the branch or put it at the world's origin",
    rule: Rule { title: "condyle.plan/1", section: "joints/parent" },
    page: include_str!("unknown_parent.md"),
    on: On::PLAN,
    bands: &[Band {
        name: "unknown",
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
    since: "1.0.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let Some(hit) = sink.breach("") else { return };
    for (index, joint) in ctx.rig.joints.iter().enumerate() {
        let Parent::Unknown(asked) = &joint.parent else { continue };
        let this = JointId::new(index);
        let others = ctx
            .rig
            .joints
            .iter()
            .filter_map(|j| j.name.as_deref())
            .filter(|n| Some(*n) != joint.name.as_deref());
        let near = nearest(asked, others);
        let fix = near.map(|near| Fix::Patch {
            applicability: if one_slip(asked, near) { Applicability::Safe } else { Applicability::Review },
            summary: format!("hang it from {near}"),
            patch: vec![PatchOp::set(format!("/joints/{index}/parent"), json!(near))],
        });
        sink.report(hit, Fact::new(Subject::Joint(this), message(ctx.name(this), asked, near)).fix(fix));
    }
}

/// The same letters in another case, or one edit apart.
fn one_slip(asked: &str, near: &str) -> bool {
    asked.eq_ignore_ascii_case(near) || strsim::damerau_levenshtein(asked, near) <= 1
}

fn message(name: &str, asked: &str, near: Option<&str>) -> String {
    let asked: String = asked.chars().take(80).collect();
    match near {
        Some(near) => format!("{name} hangs from {asked}, which no joint is called (did you mean {near}?)"),
        None => format!("{name} hangs from {asked}, which no joint is called"),
    }
}
