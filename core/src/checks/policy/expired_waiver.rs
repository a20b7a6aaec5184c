//! Waivers past their day.

use crate::check::{
    Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability, WaiverUse, remedy,
};
use crate::finding::{Fact, Subject, Unit};
use crate::model::Reads;
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "policy/expired-waiver",
    summary: "a waiver is past its day",
    why: "what it covered counts again, and nobody has said whether that is meant",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("expired_waiver.md"),
    on: On::BOTH,
    bands: &[Band {
        name: "days",
        case: "",
        on: On::BOTH,
        bound: Bound::Above,
        limit: 0.0,
        unit: "days",
        severity: Some(Severity::Warning),
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
    for (index, one) in ctx.given.waivers.iter().enumerate() {
        let Some(days) = days_past(ctx, one) else { continue };
        let Some(hit) = sink.judge("", days) else { continue };
        let subject = Subject::Waiver(index as u32);
        let text = message(&ctx.labels.name(&subject), days, one);
        let fact = Fact::new(subject, text)
            .evidence("days past its last day", days, hit.limit, Unit::Day)
            .fix(remedy::drop_waivers(ctx, index));
        sink.report(hit, fact);
    }
}

/// Days from a waiver's last day to the date of judgement.
fn days_past(ctx: &Context<'_>, one: &WaiverUse) -> Option<f64> {
    let until = one.waiver.until()?;
    Some(f64::from(ctx.as_of.since(until).ok()?.get_days()))
}

fn message(title: &str, days: f64, one: &WaiverUse) -> String {
    let until = one.waiver.wire().until.clone().unwrap_or_default();
    let still = if one.matched { "what it covered is still there" } else { "it would cover nothing" };
    let unit = if days == 1.0 { "day" } else { "days" };
    format!("the waiver of {title} held until {until}, {days} {unit} ago; {still}")
}
