//! Noise in how the skin follows a joint.

use serde_json::json;

use crate::check::wording::{count, short};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Setting, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, Subject, Unit};
use crate::model::Reads;
use crate::report::Severity;
use crate::sweep::telling;
use crate::sweep::{ANGLE, Bumps};

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "sweep/bump",
    summary: "the skin around a joint follows it unevenly, with hills and hollows",
    why: "weights with noise in them look smooth at rest and crumple in motion",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("bump.md"),
    on: On::GLTF,
    bands: &[Band {
        name: "bumps",
        case: "",
        on: On::GLTF,
        bound: Bound::Above,
        limit: 4.0,
        unit: "%",
        severity: Some(Severity::Note),
    }],
    requires: &[Need::Joints, Need::Weights, Need::Mesh, Need::BendingSkin],
    reads: Reads::WEIGHTS.union(Reads::MESH).union(Reads::JOINTS).union(Reads::BIND),
    settings: &[Setting { name: "least", about: "points that must stand out, count", default: 3.0 }],
    plantable: Plantable::Range { most: 20.0 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let (sweep, surface) = (ctx.facts.sweep(), ctx.facts.surface());
    sink.left_out(sweep.left_out());
    let least = ctx.setting("least");
    for bumps in sweep.joints.iter().filter_map(|joint| joint.bumps.as_ref()) {
        let Some(hit) = sink.judge("", bumps.percent()).filter(|_| f64::from(bumps.count) >= least) else {
            continue;
        };
        let at = telling::at(ctx.labels, surface, bumps.point);
        let text = message(ctx.name(bumps.joint), bumps, hit.bound(), &at);
        let mut fact = Fact::new(Subject::Joint(bumps.joint), text)
            .evidence("points that stand out, percent of the falloff", bumps.percent(), hit.limit, Unit::One)
            .evidence("points that stand out", f64::from(bumps.count), Some(least), Unit::Count)
            .evidence("most that one stands out", f64::from(bumps.height), None, Unit::One)
            .evidence("turn about any of its axes", ANGLE, None, Unit::Degree);
        if let Some(place) = telling::place(surface, bumps.point) {
            fact = fact.related(place.subject(), "worst place").fix(smooth(ctx, &bumps.points));
        }
        sink.report(hit, fact);
    }
}

fn smooth(ctx: &Context<'_>, points: &[u32]) -> Option<Fix> {
    let mut list = telling::listed(ctx.facts.surface(), points, &json!({}));
    let arguments = if list.len() == 1 { list.pop()? } else { json!({"primitives": list}) };
    Some(Fix::Repair {
        applicability: Applicability::Review,
        name: "smooth-weights".into(),
        arguments,
        summary: "smooth the weights of the points that stand out".into(),
    })
}

fn message(joint: &str, bumps: &Bumps, limit: f64, at: &str) -> String {
    format!(
        "{joint} moves {} of its falloff's {} farther or less far than all their neighbours ({} %, limit {} %), {at} \
         by {} of its movement",
        count(u64::from(bumps.count), "point", "points"),
        bumps.of,
        short(bumps.percent()),
        short(limit),
        short(f64::from(bumps.height))
    )
}
