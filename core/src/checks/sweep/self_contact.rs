//! Skin that a joint turns into other skin.

use crate::check::wording::short;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Fact, Subject, Unit};
use crate::model::Reads;
use crate::report::Severity;
use crate::sweep::{Pose, telling};

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "sweep/self-contact",
    summary: "a joint turns its skin into other skin after a few degrees",
    why: "skin that meets other skin after a few degrees leaves the animator no room, and shows through in every shot",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("self_contact.md"),
    on: On::GLTF,
    bands: &[Band {
        name: "contact",
        case: "",
        on: On::GLTF,
        bound: Bound::Below,
        limit: 3.0,
        unit: "°",
        severity: Some(Severity::Note),
    }],
    requires: &[Need::Joints, Need::Weights, Need::Mesh, Need::BendingSkin],
    reads: Reads::WEIGHTS.union(Reads::MESH).union(Reads::JOINTS).union(Reads::BIND),
    settings: &[],
    plantable: Plantable::Range { most: 1.0 },
    stability: Stability::Live,
    since: "1.2.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let (sweep, surface) = (ctx.facts.sweep(), ctx.facts.surface());
    sink.left_out(sweep.left_out());
    for contact in &sweep.contacts {
        let Some(hit) = sink.judge("", contact.pose.degrees.abs()) else { continue };
        // In words to a hundredth.
        let told = Pose { degrees: (contact.pose.degrees * 100.0).round() / 100.0, ..contact.pose };
        let text = message(
            ctx.name(contact.joint),
            contact.met.map(|met| ctx.name(met)),
            &telling::when_it(&told),
            &telling::at(ctx.labels, surface, contact.moving),
            &telling::at(ctx.labels, surface, contact.still),
            hit.bound(),
        );
        let mut fact = Fact::new(Subject::Joint(contact.joint), text).evidence(
            "turn before skin meets skin",
            contact.pose.degrees.abs(),
            hit.limit,
            Unit::Degree,
        );
        if let Some(met) = contact.met {
            fact = fact.related(Subject::Joint(met), "its skin is met");
        }
        sink.report(hit, telling::posed(fact, surface, contact.joint, &contact.pose, contact.moving));
    }
}

fn message(joint: &str, met: Option<&str>, when: &str, moving: &str, still: &str, limit: f64) -> String {
    let whose = met.map_or_else(|| "other skin".to_owned(), |met| format!("the skin of {met}"));
    format!("{joint} turns its skin into {whose} {when}: {moving} goes into {still}, limit {}°", short(limit))
}
