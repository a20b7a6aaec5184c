//! A rig whose joints do not agree on their long axis.

use crate::check::wording::short;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::facts::Cardinal;
use crate::finding::{Fact, Subject, Unit};
use crate::model::{JointId, Reads};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "orientation/mixed-axes",
    summary: "the joints do not agree on their long axis",
    why: "a tool that turns joints by axis (a curl, a roll, a limb solver) needs another setting for each",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("mixed_axes.md"),
    on: On::BOTH,
    bands: &[Band {
        name: "minority",
        case: "",
        on: On::BOTH,
        bound: Bound::Above,
        limit: 0.24,
        unit: "1",
        severity: Some(Severity::Note),
    }],
    requires: &[Need::Joints, Need::Orientations, Need::LongAxis],
    reads: Reads::JOINTS.union(Reads::BIND),
    settings: &[],
    plantable: Plantable::Range { most: 0.5 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

/// Fewer joints than this say nothing.
const LEAST_VOTES: usize = 4;

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let facts = ctx.facts;
    let Some(main) = facts.long_axis() else { return };
    let voters = &facts.axes().voters;
    let total = voters.iter().flatten().count();
    if total < LEAST_VOTES {
        return;
    }
    let opposite = Cardinal { negative: !main.negative, ..main };
    let others: Vec<(JointId, Cardinal)> = voters
        .iter()
        .enumerate()
        .filter_map(|(index, vote)| Some((JointId::new(index), (*vote)?)))
        .filter(|(_, vote)| *vote != main)
        // One side that runs against the other's axis is a way to mirror, not a mixture.
        .filter(|(joint, vote)| {
            let twin = facts.twins().twin(*joint).and_then(|twin| voters[twin.index()]);
            !(*vote == opposite && twin == Some(main))
        })
        .collect();
    let share = others.len() as f64 / total as f64;
    let Some(hit) = sink.judge("", share) else { return };
    let rival = Cardinal::ALL
        .into_iter()
        .max_by_key(|axis| (others.iter().filter(|(_, vote)| vote == axis).count(), std::cmp::Reverse(*axis)))
        .unwrap_or(opposite);
    let text = message(others.len(), total, main.text(), rival.text(), hit.bound());
    let mut fact = Fact::new(Subject::Rig, text)
        .evidence("share of joints with another long axis", share, hit.limit, Unit::One)
        .evidence("joints with another long axis", others.len() as f64, None, Unit::Count);
    for (joint, _) in others.iter().take(50) {
        fact = fact.related(Subject::Joint(*joint), "member");
    }
    sink.report(hit, fact);
}

fn message(others: usize, total: usize, main: &str, rival: &str, limit: f64) -> String {
    format!(
        "{others} of {total} joints have another long axis than {main}, mostly {rival} (limit {} %)",
        short(limit * 100.0)
    )
}
