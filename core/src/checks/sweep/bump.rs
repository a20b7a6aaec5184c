//! Noise in how the skin follows a joint.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::json;

use crate::check::wording::{count, short};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Setting, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, Subject, Unit};
use crate::model::{JointId, Reads};
use crate::report::Severity;
use crate::sweep::telling;
use crate::sweep::{ANGLE, Bumps};

/// Joints that are named beside the one that is turned.
const MOST_SHARING: usize = 3;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "sweep/bump",
    summary: "the skin around a joint follows it unevenly, with hills and hollows",
    why: "weights with noise in them look smooth at rest and crumple in motion",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("bump.md"),
    on: On::GLTF,
    bands: &[
        Band {
            name: "bumps",
            case: "",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 4.0,
            unit: "%",
            severity: Some(Severity::Note),
        },
        Band {
            name: "ripples",
            case: "ripples",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 4.0,
            unit: "%",
            severity: Some(Severity::Note),
        },
    ],
    requires: &[Need::Joints, Need::Weights, Need::Mesh, Need::BendingSkin],
    reads: Reads::WEIGHTS.union(Reads::MESH).union(Reads::JOINTS).union(Reads::BIND),
    settings: &[Setting { name: "least", about: "points that must stand out, count", default: 3.0 }],
    plantable: Plantable::Range { most: 20.0 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let sweep = ctx.facts.sweep();
    sink.left_out(sweep.left_out());
    // What one joint has too much of another lacks: points are told once, those of larger bumps first.
    let mut told: BTreeSet<u32> = BTreeSet::new();
    let mut named: BTreeSet<JointId> = BTreeSet::new();
    for bumps in sweep.joints.iter().filter_map(|joint| joint.bumps.as_ref()) {
        if tell(ctx, sink, "", bumps) {
            named.insert(bumps.joint);
            told.extend(&bumps.points);
        }
    }
    for ripples in sweep.joints.iter().filter_map(|joint| joint.ripples.as_ref()) {
        let old = ripples.points.iter().filter(|point| told.contains(point)).count();
        if !named.contains(&ripples.joint)
            && old * 2 <= ripples.points.len()
            && tell(ctx, sink, "ripples", ripples)
        {
            told.extend(&ripples.points);
        }
    }
}

/// Reports the bumps of one joint, if they break a limit of `case`.
fn tell(ctx: &Context<'_>, sink: &mut Sink<'_>, case: &str, bumps: &Bumps) -> bool {
    let (surface, least) = (ctx.facts.surface(), ctx.setting("least"));
    let Some(hit) = sink.judge(case, bumps.percent()).filter(|_| f64::from(bumps.count) >= least) else {
        return false;
    };
    let at = telling::at(ctx.labels, surface, bumps.point);
    let text = message(ctx.name(bumps.joint), bumps, hit.bound(), &at);
    let mut fact = Fact::new(Subject::Joint(bumps.joint), text)
        .evidence("points that stand out, percent of the falloff", bumps.percent(), hit.limit, Unit::One)
        .evidence("points that stand out", f64::from(bumps.count), Some(least), Unit::Count)
        .evidence("most that one stands out", f64::from(bumps.height), None, Unit::One)
        .evidence("turn about any of its axes", ANGLE, None, Unit::Degree);
    // What a joint has less of there another one has more of: the noise may be in the weights of either.
    for other in sharing(ctx, bumps) {
        fact = fact.related(Subject::Joint(other), "shares the falloff");
    }
    if let Some(place) = telling::place(surface, bumps.point) {
        fact = fact.related(place.subject(), "worst place").fix(smooth(ctx, &bumps.points));
    }
    sink.report(hit, fact);
    true
}

/// The joints with most weight on the points that stand out, besides the one that is turned.
fn sharing(ctx: &Context<'_>, bumps: &Bumps) -> Vec<JointId> {
    let mut sums: BTreeMap<JointId, f64> = BTreeMap::new();
    for point in &bumps.points {
        for one in ctx.facts.skinning().point_row(*point).iter().filter(|one| one.joint != bumps.joint) {
            *sums.entry(one.joint).or_default() += f64::from(one.weight);
        }
    }
    let mut list: Vec<(JointId, f64)> = sums.into_iter().collect();
    list.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
    list.into_iter().take(MOST_SHARING).map(|one| one.0).collect()
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
    let of = if bumps.fine { "movement, or of its own weight" } else { "movement" };
    format!(
        "{joint} moves {} of its falloff's {} farther or less far than all their neighbours ({} %, limit {} %), {at} \
         by {} of its {of}",
        count(u64::from(bumps.count), "point", "points"),
        bumps.of,
        short(bumps.percent()),
        short(limit),
        short(f64::from(bumps.height))
    )
}
