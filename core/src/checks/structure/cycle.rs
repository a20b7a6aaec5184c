//! A joint that is its own ancestor.

use crate::check::adopt::hang;
use crate::check::wording::count;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Fact, Fix, Subject, Unit};
use crate::model::{JointId, Reads};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "structure/cycle",
    summary: "a joint is its own ancestor",
    why: "a skeleton is a tree: no program can evaluate a loop of parents, and most refuse the whole file",
    rule: Rule { title: "glTF 2.0", section: "3.5.2" },
    page: include_str!("cycle.md"),
    on: On::PLAN,
    bands: &[Band {
        name: "loop",
        case: "",
        on: On::PLAN,
        bound: Bound::Fact,
        limit: 0.0,
        unit: "",
        severity: Some(Severity::Error),
    }],
    requires: &[Need::Joints],
    reads: Reads::JOINTS,
    settings: &[],
    plantable: Plantable::Boolean,
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let Some(hit) = sink.breach("") else { return };
    for ring in &ctx.facts.tree().loops {
        let names: Vec<&str> = ring.iter().map(|joint| ctx.name(*joint)).collect();
        let mut fact = Fact::new(Subject::Joint(ring[0]), message(&names)).evidence(
            "joints in the loop",
            ring.len() as f64,
            None,
            Unit::Count,
        );
        for joint in &ring[1..] {
            fact = fact.identified_by(Subject::Joint(*joint), "member");
        }
        sink.report(hit, fact.fix(way_out(ctx, ring)));
    }
}

/// The member that the suggester would surest hang from outside the loop.
fn way_out(ctx: &Context<'_>, ring: &[JointId]) -> Option<Fix> {
    let out = ctx
        .facts
        .proposals()
        .iter()
        .filter(|one| ring.contains(&one.joint) && one.parent.is_none_or(|parent| !ring.contains(&parent)))
        .max_by(|a, b| a.probability.total_cmp(&b.probability).then(b.joint.cmp(&a.joint)))?;
    Some(hang(ctx, std::slice::from_ref(out)))
}

fn message(names: &[&str]) -> String {
    let first = names.first().copied().unwrap_or_default();
    if names.len() == 1 {
        return format!("{first} is its own parent");
    }
    let shown = names.iter().take(8).copied().collect::<Vec<_>>().join(" → ");
    let cut = if names.len() > 8 { " → …" } else { "" };
    let total = count(names.len() as u64, "joint", "joints");
    format!(
        "{first} is its own ancestor through {total} ({shown}{cut} → {first}, each hanging from the next)"
    )
}
