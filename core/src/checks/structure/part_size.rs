//! How many joints a part of a kind has.

use crate::check::wording::count;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Setting, Sink, Stability};
use crate::finding::{Fact, Subject, Unit};
use crate::model::{PartId, PartKind, Reads};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "structure/part-size",
    summary: "a part has too few or too many joints for its kind",
    why: "a limb that bends at a hinge needs two long segments and an end: with fewer it cannot bend, and solvers refuse it",
    rule: Rule { title: "anatomy", section: "" },
    page: include_str!("part_size.md"),
    on: On::PLAN,
    bands: &[
        Band {
            name: "few",
            case: "few",
            on: On::PLAN,
            bound: Bound::Fact,
            limit: 0.0,
            unit: "",
            severity: Some(Severity::Warning),
        },
        Band {
            name: "many",
            case: "many",
            on: On::PLAN,
            bound: Bound::Fact,
            limit: 0.0,
            unit: "",
            severity: Some(Severity::Warning),
        },
    ],
    requires: &[Need::Parts],
    reads: Reads::PARTS,
    settings: &[
        Setting { name: "limb-least", about: "joints of an arm or a leg, at least", default: 3.0 },
        Setting { name: "digit-most", about: "joints of a digit, at most", default: 4.0 },
        Setting { name: "neck-most", about: "joints of a neck, at most", default: 8.0 },
        Setting {
            name: "head-most",
            about: "joints of a head, at most: the skull and its end",
            default: 2.0,
        },
        Setting { name: "eye-most", about: "joints of a jaw or an eye, at most", default: 1.0 },
    ],
    plantable: Plantable::Boolean,
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    for (index, part) in ctx.rig.parts.iter().enumerate() {
        let (least, most) = match part.kind {
            Some(PartKind::Arm | PartKind::Leg) => (ctx.setting("limb-least"), f64::INFINITY),
            Some(PartKind::Digit) => (1.0, ctx.setting("digit-most")),
            Some(PartKind::Neck) => (1.0, ctx.setting("neck-most")),
            Some(PartKind::Head) => (1.0, ctx.setting("head-most")),
            Some(PartKind::Jaw | PartKind::Eye) => (1.0, ctx.setting("eye-most")),
            _ => (1.0, f64::INFINITY),
        };
        // As listed: a name that no joint has was meant as one, and is told elsewhere.
        let size = part.joints.len() as f64;
        let (hit, limit) = if size < least {
            (sink.breach("few"), least)
        } else if size > most {
            (sink.breach("many"), most)
        } else {
            continue;
        };
        let Some(hit) = hit else { continue };
        let subject = Subject::Part(PartId::new(index));
        let kind = part.kind_text.as_deref().filter(|_| part.kind.is_some());
        let text = message(&ctx.labels.name(&subject), kind, part.joints.len(), size < least, limit);
        sink.report(hit, Fact::new(subject, text).evidence("joints", size, Some(limit), Unit::Count));
    }
}

fn message(part: &str, kind: Option<&str>, size: usize, few: bool, limit: f64) -> String {
    let what = kind.map_or(String::new(), |kind| format!(" of kind {kind}"));
    let word = if few { "at least" } else { "at most" };
    format!("{part}{what} has {} ({word} {limit})", count(size as u64, "joint", "joints"))
}
