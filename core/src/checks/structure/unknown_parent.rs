//! A parent that no joint has.

use serde_json::json;

use crate::check::adopt::adopt;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::facts::side_token;
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
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let Some(hit) = sink.breach("") else { return };
    let unknown = ctx.rig.joints.iter().enumerate().filter_map(|(index, joint)| match &joint.parent {
        Parent::Unknown(asked) => Some((index, joint, asked)),
        _ => None,
    });
    for (number, (index, joint, asked)) in unknown.enumerate() {
        let this = JointId::new(index);
        let others = ctx
            .rig
            .joints
            .iter()
            .filter_map(|j| j.name.as_deref())
            .filter(|n| Some(*n) != joint.name.as_deref());
        // Looking for a spelling means reading every name: only for as many as a report lists.
        let near = if number < LISTED { nearest(asked, others.clone()) } else { None };
        let fix = near.map(|near| Fix::Patch {
            applicability: if certain(asked, near, others) {
                Applicability::Safe
            } else {
                Applicability::Review
            },
            summary: format!("hang it from {near}"),
            patch: vec![PatchOp::set(format!("/joints/{index}/parent"), json!(near))],
        });
        // Where no name is near, the suggester says from what the joint would hang.
        let fix = fix.or_else(|| if number < LISTED { adopt(ctx, this) } else { None });
        sink.report(hit, Fact::new(Subject::Joint(this), message(ctx.name(this), asked, near)).fix(fix));
    }
}

/// Findings of a check that a report lists.
pub(super) const LISTED: usize = 50;

/// Whether only one name can be meant: the same letters in another case, or one edit away from this name alone, with
/// the same numbers and the same side (another number is another joint, not a slip).
pub(super) fn certain<'a>(asked: &str, near: &str, others: impl Iterator<Item = &'a str>) -> bool {
    let digits = |name: &str| name.chars().filter(char::is_ascii_digit).collect::<String>();
    let side = |name: &str| side_token(name).map(|token| token.side);
    let slip = |name: &str| asked.eq_ignore_ascii_case(name) || strsim::damerau_levenshtein(asked, name) <= 1;
    let close = |name: &&str| name.len().abs_diff(asked.len()) <= 4 && slip(name);
    slip(near)
        && digits(asked) == digits(near)
        && side(asked) == side(near)
        && others.filter(close).take(2).count() == 1
}

fn message(name: &str, asked: &str, near: Option<&str>) -> String {
    let asked: String = asked.chars().take(80).collect();
    match near {
        Some(near) => format!("{name} hangs from {asked}, which no joint is called (did you mean {near}?)"),
        None => format!("{name} hangs from {asked}, which no joint is called"),
    }
}

#[cfg(test)]
mod tests {
    use super::certain;

    #[test]
    fn a_safe_fix_leaves_no_doubt() {
        let sure = |asked, near, names: &[&'static str]| certain(asked, near, names.iter().copied());
        assert!(sure("haed", "head", &["head", "neck_1"]));
        assert!(sure("Head", "head", &["head", "neck_1"]));
        assert!(!sure("neck_3", "neck_1", &["neck_1", "neck_2"]), "another number is another joint");
        assert!(!sure("neck_3", "neck_2", &["neck_2"]), "another number is another joint");
        assert!(!sure("thigh_r", "thigh_l", &["thigh_l"]), "the other side is another joint");
        assert!(!sure("toe", "toes", &["toes", "toed"]), "two names are as near");
    }
}
