//! A character of a size that no character has.

use serde_json::json;

use crate::check::wording::short;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, PatchOp, Subject, Unit, round};
use crate::model::{Reads, Source};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "placement/scale",
    summary: "the character's size is outside the profile's range",
    why: "glTF lengths are metres: physics, shadows, cameras and clips of other characters all rely on it",
    rule: Rule { title: "glTF 2.0", section: "3.4" },
    page: include_str!("scale.md"),
    on: On::BOTH,
    bands: &[
        Band {
            name: "large",
            case: "large",
            on: On::BOTH,
            bound: Bound::Above,
            limit: 30.0,
            unit: "m",
            severity: Some(Severity::Warning),
        },
        Band {
            name: "small",
            case: "small",
            on: On::BOTH,
            bound: Bound::Below,
            limit: 0.02,
            unit: "m",
            severity: Some(Severity::Warning),
        },
    ],
    requires: &[Need::Joints],
    reads: Reads::JOINTS.union(Reads::MESH),
    settings: &[],
    plantable: Plantable::Range { most: 1_000.0 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

/// Units that lengths are written in by mistake, metres each.
const UNITS: [(&str, f64); 6] = [
    ("millimetres", 1e-3),
    ("centimetres", 1e-2),
    ("inches", 0.0254),
    ("feet", 0.3048),
    ("hundreds of metres", 100.0),
    ("kilometres", 1_000.0),
];
/// The size that a wrong unit is guessed by, metres.
const USUAL: f64 = 1.7;

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let size = ctx.facts.size();
    // One joint without tip or body has no size at all.
    if size.high == size.low {
        return;
    }
    let hit = sink.judge("large", size.s).map(|hit| (hit, "more"));
    let Some((hit, word)) = hit.or_else(|| sink.judge("small", size.s).map(|hit| (hit, "less"))) else {
        return;
    };
    let unit = likely(size.s);
    let fact = Fact::new(Subject::Rig, message(size.s, word, hit.bound(), unit.map(|(name, _)| name)))
        .evidence("largest extent at bind", size.s, hit.limit, Unit::Metre)
        .fix(unit.and_then(|(name, metres)| rescale(ctx, name, metres)));
    sink.report(hit, fact);
}

/// The unit that makes the size most usual, if it makes it usual at all.
fn likely(s: f64) -> Option<(&'static str, f64)> {
    let off = |metres: f64| (s * metres / USUAL).ln().abs();
    UNITS.into_iter().filter(|(_, m)| off(*m) < 10_f64.ln()).min_by(|a, b| off(a.1).total_cmp(&off(b.1)))
}

fn rescale(ctx: &Context<'_>, unit: &str, metres: f64) -> Option<Fix> {
    let applicability = Applicability::Review;
    if ctx.rig.source == Source::Gltf {
        return Some(Fix::Repair {
            applicability,
            name: "scale-asset".into(),
            arguments: json!({"factor": metres}),
            summary: format!("scale the asset by {}: its lengths are {unit}", short(metres)),
        });
    }
    // With a body, the two must be changed together.
    ctx.rig.body.is_none().then(|| Fix::Patch {
        applicability,
        summary: format!("declare that lengths are {unit}"),
        patch: vec![PatchOp::set("/units", json!({"metres": round(ctx.rig.frame.metres * metres)}))],
    })
}

fn message(s: f64, word: &str, limit: f64, unit: Option<&str>) -> String {
    let guess = unit.map_or(String::new(), |unit| format!("; its lengths may be {unit}"));
    format!("the character is {} m large, {word} than {} m{guess}", short(s), short(limit))
}

#[cfg(test)]
mod tests {
    use super::likely;

    #[test]
    fn the_unit_is_the_one_that_makes_the_size_usual() {
        let name = |s: f64| likely(s).map(|(name, _)| name);
        assert_eq!(name(175.0), Some("centimetres"));
        assert_eq!(name(1_750.0), Some("millimetres"));
        assert_eq!(name(69.0), Some("inches"));
        assert_eq!(name(0.0175), Some("hundreds of metres"));
        assert_eq!(name(1e9), None);
    }
}
