//! Skin that is pulled out or squeezed flat, away from the joint itself.

use crate::check::wording::short;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Fact, Subject, Unit};
use crate::model::Reads;
use crate::report::Severity;
use crate::sweep::Worst;
use crate::sweep::telling;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "sweep/stretch",
    summary: "skin away from a joint is stretched or squeezed when it turns",
    why: "textures smear and folds flicker where the skin is pulled to more than twice its length",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("stretch.md"),
    on: On::GLTF,
    bands: &[
        Band {
            name: "stretched",
            case: "stretched",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 1.0,
            unit: "% of the skin",
            severity: Some(Severity::Note),
        },
        Band {
            name: "squeezed",
            case: "squeezed",
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
            limit: 10.0,
            unit: "% of the skin",
            severity: Some(Severity::Note),
        },
    ],
    requires: &[Need::Joints, Need::Weights, Need::Mesh, Need::BendingSkin],
    reads: Reads::WEIGHTS.union(Reads::MESH).union(Reads::JOINTS).union(Reads::BIND),
    settings: &[],
    plantable: Plantable::Range { most: 5.0 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let (sweep, surface) = (ctx.facts.sweep(), ctx.facts.surface());
    sink.left_out(sweep.left_out());
    for played in &sweep.clips {
        let Some(hit) = sink.judge("played", played.stretched.amount * 100.0) else { continue };
        let quantity = "skin pulled to more than twice its length, percent of all";
        let amount = played.stretched.amount * 100.0;
        let clip = ctx.labels.name(&Subject::Clip(played.clip));
        let text = format!(
            "{clip} pulls {} % of the skin to more than twice its length at {} s, worst at {}, limit {} %",
            short(amount),
            short(played.stretched.time),
            telling::at(ctx.labels, surface, played.stretched.point),
            short(hit.bound())
        );
        let fact =
            Fact::new(Subject::Clip(played.clip), text).evidence(quantity, amount, hit.limit, Unit::One);
        sink.report(hit, telling::played(fact, surface, played, &played.stretched));
    }
    // Where limbs part, the skin between them has to stretch.
    for swept in sweep.joints.iter().filter(|swept| !swept.branches) {
        let Some(damage) = swept.damage else { continue };
        let judged = |case: &str, worst: Option<Worst>| {
            worst.and_then(|worst| Some((sink.judge(case, worst.amount * 100.0)?, worst)))
        };
        let (stretched, squeezed) =
            (judged("stretched", damage.stretched), judged("squeezed", damage.squeezed));
        let (long, short) = ("to more than twice its length", "to less than 0.4 of its length");
        let Some((hit, worst)) = stretched.or(squeezed) else { continue };
        let words = if stretched.is_some() { long } else { short };
        let place = format!(
            "worst at {} {}",
            telling::at(ctx.labels, surface, worst.point),
            telling::when_it(&worst.pose)
        );
        let text = message(ctx.name(swept.joint), worst.amount * 100.0, hit.bound(), words, &place);
        let mut fact = Fact::new(Subject::Joint(swept.joint), text);
        for (found, words) in [(stretched, long), (squeezed, short)] {
            if let Some((hit, worst)) = found {
                let quantity = format!("skin pulled {words}, percent of all");
                fact = fact.evidence(&quantity, worst.amount * 100.0, hit.limit, Unit::One);
                if let Some(ends) = &swept.ends {
                    let alone = ends
                        .alone
                        .and_then(|damage| if words == long { damage.stretched } else { damage.squeezed });
                    fact = telling::at_end(fact, &quantity, ends, alone.map(|w| (w.amount, w.pose)));
                }
            }
        }
        sink.report(hit, telling::posed(fact, surface, swept.joint, &worst.pose, worst.point));
    }
}

fn message(joint: &str, percent: f64, limit: f64, words: &str, place: &str) -> String {
    format!("{joint} pulls {} % of the skin {words}, {place}, limit {} %", short(percent), short(limit))
}
