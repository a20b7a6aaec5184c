//! Twins by shape that are not twins by name.

use std::collections::BTreeMap;

use super::{ByName, ON_PLANE, SidedPairs, off_plane};
use crate::check::wording::{length, share_of_s};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Fact, Subject, Unit};
use crate::model::{JointId, Reads};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "naming/twin-disagrees",
    summary: "the twin by name is not the twin by shape",
    why: "mirroring by name moves another joint than mirroring by shape: a pose comes out crossed over",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("twin_disagrees.md"),
    on: On::BOTH,
    bands: &[Band {
        name: "disagrees",
        case: "",
        on: On::BOTH,
        bound: Bound::Above,
        limit: 0.01,
        unit: "S farther than the twin by shape",
        severity: Some(Severity::Warning),
    }],
    requires: &[Need::Names, Need::Symmetry],
    reads: Reads::NAMES.union(Reads::JOINTS),
    settings: &[],
    plantable: Plantable::Boolean,
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

/// A pair by shape, and whom the left one's name means.
struct Crossed {
    left: JointId,
    right: JointId,
    named: JointId,
    /// How much farther the named one is from the mirror image, share of S.
    farther: f64,
}

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let (facts, names) = (ctx.facts, ctx.facts.names());
    let Some(plane) = facts.mirror() else { return };
    // Across a plane between front and back, twins by shape are of one side by name: nobody mirrors names there.
    let sided = SidedPairs::new(ctx);
    if sided.same >= sided.opposite {
        return;
    }
    let known = ByName::new(ctx);
    let s = facts.s();
    let only = |joint: JointId| -> Option<JointId> { known.only(&names.mate(joint)?) };
    let mut crossed = Vec::new();
    for (left, right) in facts.twins().pairs.iter().filter(|(left, _)| off_plane(ctx, *left) > ON_PLANE) {
        // Both must be named for sides: a name without one means nobody.
        if names.sided(*left).is_none() || names.sided(*right).is_none() {
            continue;
        }
        let Some(named) = only(*left).filter(|named| named != right && named != left) else { continue };
        // A joint that its own name's twin crosses out as well is told once, from the left.
        let image = plane.mirror(facts.origin(*left));
        let farther = (image.distance(facts.origin(named)) - image.distance(facts.origin(*right))) / s;
        crossed.push(Crossed { left: *left, right: *right, named, farther });
    }
    let mut groups: Vec<Vec<&Crossed>> = Vec::new();
    let mut group_of: BTreeMap<JointId, usize> = BTreeMap::new();
    let tree = facts.tree();
    for one in crossed.iter().filter(|one| sink.judge("", one.farther).is_some()) {
        // Joints crossed with each other, and what hangs from them, are one fault.
        let above = [one.left, one.right].map(|joint| tree.parent[joint.index()]);
        let near = [Some(one.left), Some(one.right), Some(one.named), above[0], above[1]];
        let group =
            near.iter().flatten().find_map(|joint| group_of.get(joint).copied()).unwrap_or_else(|| {
                groups.push(Vec::new());
                groups.len() - 1
            });
        groups[group].push(one);
        for joint in [one.left, one.right, one.named] {
            group_of.insert(joint, group);
        }
    }
    for group in groups {
        let Some(worst) = group.iter().max_by(|a, b| a.farther.total_cmp(&b.farther)) else { continue };
        let Some(hit) = sink.judge("", worst.farther) else { continue };
        let first = group[0];
        let text = message(
            ctx.name(first.left),
            ctx.name(first.named),
            ctx.name(first.right),
            (first.farther * s, s),
            hit.bound(),
            group.len() - 1,
        );
        let mut fact = Fact::new(Subject::Pair(first.left, first.right), text)
            .length("farther from the mirror image", worst.farther * s, hit.limit, s)
            .evidence("pairs", group.len() as f64, None, Unit::Count);
        for one in group.iter().take(20) {
            fact = fact
                .related(Subject::Joint(one.left), "left")
                .related(Subject::Joint(one.named), "named twin");
        }
        sink.report(hit, fact);
    }
}

fn message(
    left: &str,
    named: &str,
    right: &str,
    (metres, s): (f64, f64),
    limit: f64,
    others: usize,
) -> String {
    let more = match others {
        0 => String::new(),
        1 => ", and one more is crossed with it".to_owned(),
        n => format!(", and {n} more are crossed with it"),
    };
    format!(
        "the name of {left} pairs it with {named}, which is {} farther from its mirror image than {right}{more} (limit {})",
        length(metres, s),
        share_of_s(limit)
    )
}
