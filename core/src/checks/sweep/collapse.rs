//! Joints that lose more volume than blending must.

use crate::check::wording::short;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Fact, Subject, Unit};
use crate::model::Reads;
use crate::report::Severity;
use crate::sweep::Collapse;
use crate::sweep::telling;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "sweep/collapse",
    summary: "the body around a joint loses more volume than blending must lose",
    why: "a joint that caves in looks broken however good the motion is",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("collapse.md"),
    on: On::GLTF,
    bands: &[Band {
        name: "collapse",
        case: "",
        on: On::GLTF,
        bound: Bound::Above,
        limit: 35.0,
        unit: "%",
        severity: Some(Severity::Note),
    }],
    requires: &[Need::Joints, Need::Weights, Need::Mesh, Need::BendingSkin],
    reads: Reads::WEIGHTS.union(Reads::MESH).union(Reads::JOINTS).union(Reads::BIND),
    settings: &[],
    plantable: Plantable::Aimed {
        aim: 0.9,
        reason: "how far a joint must stand beside its limb is estimated from the length over which the skin bends, and a limb \
                 that is bent at rest has less to lose",
        kind: &Plantable::Boolean,
    },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let sweep = ctx.facts.sweep();
    sink.left_out(sweep.left_out());
    // Where limbs part, there is no one section to keep.
    for swept in sweep.joints.iter().filter(|swept| !swept.branches) {
        let Some(worst) = swept.damage.and_then(|damage| damage.collapse) else { continue };
        let Some(hit) = sink.judge("", worst.beyond * 100.0) else { continue };
        let when = telling::when_it(&worst.pose);
        let text = message(ctx.name(swept.joint), &worst, hit.bound(), &when);
        let mut fact = Fact::new(Subject::Joint(swept.joint), text)
            .evidence(
                "volume lost beyond a perfect blend, percent of what that keeps",
                worst.beyond * 100.0,
                hit.limit,
                Unit::One,
            )
            .evidence("volume lost, percent", worst.lost * 100.0, None, Unit::One)
            .evidence("volume a perfect blend loses, percent", worst.unavoidable * 100.0, None, Unit::One);
        if let Some(ends) = &swept.ends {
            let alone = ends.alone.and_then(|damage| damage.collapse);
            let quantity = "volume lost beyond a perfect blend, percent of what that keeps";
            fact = telling::at_end(fact, quantity, ends, alone.map(|worst| (worst.beyond, worst.pose)));
        }
        sink.report(hit, telling::turned(fact, swept.joint, &worst.pose));
    }
}

fn message(joint: &str, worst: &Collapse, limit: f64, when: &str) -> String {
    format!(
        "{joint} loses {} % of the volume around it {when}: blending alone must lose {} %, and of the rest {} % is gone \
         (limit {} %; more than 100 % is inside out)",
        short(worst.lost * 100.0),
        short(worst.unavoidable * 100.0),
        short(worst.beyond * 100.0),
        short(limit)
    )
}
