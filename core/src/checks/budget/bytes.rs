//! The size of the files.

use crate::check::wording::count;
use crate::check::{Band, Bound, Context, Descriptor, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Fact, Subject, Unit};
use crate::model::Reads;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "budget/bytes",
    summary: "larger than the target can load",
    why: "a character that is too large to load in time is not seen",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("bytes.md"),
    on: On::BOTH,
    bands: &[
        Band {
            name: "most",
            case: "",
            on: On::BOTH,
            bound: Bound::Above,
            limit: 10_485_760.0,
            unit: "bytes",
            severity: None,
        },
        Band {
            name: "limit",
            case: "",
            on: On::BOTH,
            bound: Bound::Above,
            limit: 52_428_800.0,
            unit: "bytes",
            severity: None,
        },
    ],
    requires: &[],
    reads: Reads::empty(),
    settings: &[],
    plantable: Plantable::Range { most: 100_000_000.0 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let bytes = ctx.rig.bytes;
    let Some(hit) = sink.judge("", bytes as f64) else { return };
    let text = message(&ctx.labels.name(&Subject::Rig), bytes, hit.bound());
    sink.report(hit, Fact::new(Subject::Rig, text).evidence("bytes", bytes as f64, hit.limit, Unit::Byte));
}

fn message(name: &str, bytes: u64, limit: f64) -> String {
    format!("{name} has {} in all its files (limit {limit})", count(bytes, "byte", "bytes"))
}
