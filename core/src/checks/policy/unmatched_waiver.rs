//! Waivers that cover nothing.

use crate::check::{
    Band, Bound, CHECKS, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability, WaiverPlace,
    WaiverUse, remedy,
};
use crate::finding::{Fact, Subject};
use crate::model::{Reads, nearest};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "policy/unmatched-waiver",
    summary: "a waiver covers no finding",
    why: "the fault was mended or the name was misspelt; left there, it will hide the next fault that comes under it",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("unmatched_waiver.md"),
    on: On::BOTH,
    bands: &[Band {
        name: "unmatched",
        case: "",
        on: On::BOTH,
        bound: Bound::Fact,
        limit: 0.0,
        unit: "",
        severity: Some(Severity::Note),
    }],
    requires: &[Need::Waivers],
    reads: Reads::empty(),
    settings: &[],
    plantable: Plantable::Boolean,
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let Some(hit) = sink.breach("") else { return };
    for (index, one) in ctx.given.waivers.iter().enumerate() {
        if one.expired || one.matched || !one.judged || one.waiver.place == WaiverPlace::Shared {
            continue;
        }
        let subject = Subject::Waiver(index as u32);
        let text = message(&ctx.labels.name(&subject), one);
        sink.report(hit, Fact::new(subject, text).fix(remedy::drop_waivers(ctx, index)));
    }
}

fn message(title: &str, one: &WaiverUse) -> String {
    if CHECKS.iter().any(|check| one.waiver.means(check.id)) {
        return format!("the waiver of {title} covers none of the findings");
    }
    let near = nearest(&one.waiver.wire().check, CHECKS.iter().map(|check| check.id));
    let hint = near.map_or(String::new(), |near| format!(" (did you mean {near}?)"));
    format!("the waiver of {title} is about no check that can be waived{hint}")
}
