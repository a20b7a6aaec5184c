//! A knee or elbow with too few rings of vertices to bend.

use crate::check::wording::{length, short};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Fact, Subject, Unit};
use crate::model::Reads;
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "forecast/coarse-mesh",
    summary: "a knee or elbow has too few rings of vertices to bend",
    why: "a bend needs rings on both sides of the hinge, or the limb folds like paper",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("coarse_mesh.md"),
    on: On::PLAN,
    bands: &[Band {
        name: "rings",
        case: "",
        on: On::PLAN,
        bound: Bound::Below,
        limit: 2.0,
        unit: "rings",
        severity: Some(Severity::Note),
    }],
    requires: &[Need::Body, Need::TrialBind],
    reads: Reads::JOINTS.union(Reads::MESH).union(Reads::PARTS),
    settings: &[],
    plantable: Plantable::Aimed {
        aim: 0.75,
        reason: "rings farther apart than the limb is thick may leave no edge across the hinge, or a body that no trial bind takes",
        kind: &Plantable::Range { most: 0.6 },
    },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let Ok(bind) = ctx.facts.trial_bind() else { return };
    for hinge in ctx.facts.hinges() {
        let (Some(upper), Some(lower)) = (bind.slot(hinge.upper), bind.slot(hinge.mid)) else { continue };
        let radius = f64::midpoint(bind.radius[upper as usize], bind.radius[lower as usize]);
        let along =
            (hinge.at - hinge.start).normalize_or_zero() + (hinge.stop - hinge.at).normalize_or_zero();
        let Some(rings) = bind.rings(hinge.at, along, radius) else { continue };
        let Some(hit) = sink.judge("", rings) else { continue };
        let text = message(ctx.name(hinge.mid), rings, radius, bind.s, hit.bound());
        let fact = Fact::new(Subject::Joint(hinge.mid), text)
            .evidence("rings within one body radius", rings, hit.limit, Unit::Count)
            .length("body radius", radius, None, bind.s);
        sink.report(hit, fact);
    }
}

fn message(name: &str, rings: f64, radius: f64, s: f64, limit: f64) -> String {
    format!(
        "{name} has {} rings of vertices within one body radius, {} (limit {})",
        short(rings),
        length(radius, s),
        short(limit)
    )
}
