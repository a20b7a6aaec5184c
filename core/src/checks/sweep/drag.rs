//! Skin of joints far away that is dragged along.

use crate::check::wording::{length, share_of_s, short};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Fact, Subject, Unit};
use crate::model::Reads;
use crate::report::Severity;
use crate::sweep::telling;
use crate::sweep::{ANGLE, Drag, Pose};

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "sweep/drag",
    summary: "a joint drags skin of a joint whose skin does not meet its own",
    why: "what a joint drags along far away moves in every shot, and nobody looks for the cause there",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("drag.md"),
    on: On::GLTF,
    bands: &[Band {
        name: "drag",
        case: "",
        on: On::GLTF,
        bound: Bound::Above,
        limit: 0.05,
        unit: "S",
        severity: Some(Severity::Note),
    }],
    requires: &[Need::Joints, Need::Weights, Need::Mesh, Need::BendingSkin],
    reads: Reads::WEIGHTS.union(Reads::MESH).union(Reads::JOINTS).union(Reads::BIND),
    settings: &[],
    plantable: Plantable::Range { most: 0.15 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let (sweep, surface, s) = (ctx.facts.sweep(), ctx.facts.surface(), ctx.facts.s());
    sink.left_out(sweep.left_out());
    for drag in &sweep.drags {
        let Some(hit) = sink.judge("", drag.moved / s) else { continue };
        let pose = Pose { axis: drag.axis, degrees: ANGLE };
        let text = message(
            ctx.name(drag.culprit),
            ctx.name(drag.owner),
            drag,
            &length(drag.moved, s),
            &share_of_s(hit.bound()),
            &format!(
                "at {} {}",
                telling::at(ctx.labels, surface, drag.point),
                telling::when(ctx.labels, drag.posed, &pose)
            ),
        );
        let fact = Fact::new(Subject::Joint(drag.culprit), text)
            .length("farthest movement", drag.moved, hit.limit, s)
            .evidence("following there", f64::from(drag.share), None, Unit::One)
            .related(Subject::Joint(drag.owner), "owner");
        sink.report(hit, telling::posed(fact, surface, drag.posed, &pose, drag.point));
    }
}

fn message(joint: &str, owner: &str, drag: &Drag, moved: &str, limit: &str, place: &str) -> String {
    format!(
        "{joint} drags the skin of {owner} along by {moved}, with {} % of its movement, {place}, limit {limit}",
        short(f64::from(drag.share) * 100.0)
    )
}
