//! Skin that is turned inside out, away from the crease.

use crate::check::wording::short;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Fact, Subject, Unit};
use crate::model::Reads;
use crate::report::Severity;
use crate::sweep::telling;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "sweep/inversion",
    summary: "skin away from the crease is turned inside out when a joint turns",
    why: "faces that are seen from behind are not drawn or are lit from the wrong side: the skin gets dark holes",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("inversion.md"),
    on: On::GLTF,
    bands: &[
        Band {
            name: "inversion",
            case: "",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 1.0,
            unit: "% of the skin",
            severity: Some(Severity::Note),
        },
        Band {
            name: "played",
            case: "played",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 5.0,
            unit: "% of the skin",
            severity: Some(Severity::Note),
        },
    ],
    requires: &[Need::Joints, Need::Weights, Need::Mesh, Need::BendingSkin],
    reads: Reads::WEIGHTS.union(Reads::MESH).union(Reads::JOINTS).union(Reads::BIND),
    settings: &[],
    plantable: Plantable::FromBelow { most: 5.0 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let (sweep, surface) = (ctx.facts.sweep(), ctx.facts.surface());
    sink.left_out(sweep.left_out());
    for played in &sweep.clips {
        let amount = played.inverted.amount * 100.0;
        let Some(hit) = sink.judge("played", amount) else { continue };
        let clip = ctx.labels.name(&Subject::Clip(played.clip));
        let place = format!(
            "at {} s, largest at {}",
            short(played.inverted.time),
            telling::at(ctx.labels, surface, played.inverted.point)
        );
        let text = message(&clip, amount, hit.bound(), &place);
        let fact = Fact::new(Subject::Clip(played.clip), text).evidence(
            "skin turned inside out, percent of all",
            amount,
            hit.limit,
            Unit::One,
        );
        sink.report(hit, telling::played(fact, surface, played, &played.inverted));
    }
    for swept in &sweep.joints {
        let Some(worst) = swept.damage.and_then(|damage| damage.inverted) else { continue };
        let Some(hit) = sink.judge("", worst.amount * 100.0) else { continue };
        let place = format!(
            "largest at {} {}",
            telling::at(ctx.labels, surface, worst.point),
            telling::when_it(&worst.pose)
        );
        let text = message(ctx.name(swept.joint), worst.amount * 100.0, hit.bound(), &place);
        let quantity = "skin turned inside out, percent of all";
        let mut fact = Fact::new(Subject::Joint(swept.joint), text).evidence(
            quantity,
            worst.amount * 100.0,
            hit.limit,
            Unit::One,
        );
        if let Some(ends) = &swept.ends {
            let alone = ends.alone.and_then(|damage| damage.inverted);
            fact = telling::at_end(fact, quantity, ends, alone.map(|worst| (worst.amount, worst.pose)));
            if let Some(both) = ends.together {
                let words = format!(
                    "{quantity}, with {} turned {}, too, both at the ends of their ranges",
                    ctx.name(both.upper),
                    telling::turn(&both.upper_pose)
                );
                fact = fact.evidence(&words, both.inverted * 100.0, None, Unit::One);
            }
        }
        sink.report(hit, telling::posed(fact, surface, swept.joint, &worst.pose, worst.point));
    }
}

fn message(joint: &str, percent: f64, limit: f64, place: &str) -> String {
    format!("{joint} turns {} % of the skin inside out, {place}, limit {} %", short(percent), short(limit))
}
