//! Twins that their names do not tell apart, on a rig whose names do.

use std::collections::{BTreeMap, BTreeSet};

use super::{ByName, SidedPairs, appended};
use crate::check::remedy;
use crate::check::wording::count;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, Subject, Unit};
use crate::model::{JointId, Reads, Side};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "naming/side-missing",
    summary: "twins have no side in their names, on a rig whose other twins do",
    why: "mirroring and retargeting pair joints by the side in their names: twins without one are left where they are",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("side_missing.md"),
    on: On::BOTH,
    bands: &[
        Band {
            name: "missing",
            case: "missing",
            on: On::BOTH,
            bound: Bound::Fact,
            limit: 0.0,
            unit: "",
            severity: Some(Severity::Warning),
        },
        Band {
            name: "none",
            case: "none",
            on: On::BOTH,
            bound: Bound::Fact,
            limit: 0.0,
            unit: "",
            severity: Some(Severity::Note),
        },
    ],
    requires: &[Need::Names, Need::Symmetry],
    reads: Reads::NAMES.union(Reads::JOINTS),
    settings: &[],
    plantable: Plantable::Boolean,
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let sided = SidedPairs::new(ctx);
    let names = ctx.facts.names();
    let named = |joint: &JointId| !names.plain[joint.index()].trim().is_empty();
    let lacking: Vec<(JointId, JointId)> = sided
        .pairs
        .iter()
        .copied()
        .filter(|(left, right)| named(left) && named(right))
        .filter(|(left, right)| names.sided(*left).is_none() || names.sided(*right).is_none())
        // A big claw and a small one are two things by name, not one on either side.
        .filter(|(left, right)| letters(ctx, *left) == letters(ctx, *right))
        .collect();
    if lacking.is_empty() {
        return;
    }
    if sided.opposite + sided.same == 0 && lacking.len() > 1 {
        if let Some(hit) = sink.breach("none") {
            let fact = Fact::new(Subject::Rig, none(lacking.len())).evidence(
                "twins without a side",
                lacking.len() as f64,
                Some(0.0),
                Unit::Count,
            );
            sink.report(hit, fact);
        }
        return;
    }
    if !sided.conventional() {
        return;
    }
    let Some(hit) = sink.breach("missing") else { return };
    let tree = ctx.facts.tree();
    let pair_of: BTreeMap<JointId, (JointId, JointId)> =
        lacking.iter().flat_map(|pair| [(pair.0, *pair), (pair.1, *pair)]).collect();
    // A limb without sides is one finding, on its topmost pair; pairs come with upper ones first.
    let mut limbs: BTreeMap<JointId, Vec<(JointId, JointId)>> = BTreeMap::new();
    let mut top_of: BTreeMap<JointId, JointId> = BTreeMap::new();
    for pair in &lacking {
        let above = tree.parent[pair.0.index()].and_then(|up| pair_of.get(&up));
        let top = above.and_then(|(left, _)| top_of.get(left).copied()).unwrap_or(pair.0);
        top_of.insert(pair.0, top);
        limbs.entry(top).or_default().push(*pair);
    }
    let style = Style::of(ctx, &sided);
    // Several limbs are one finding: a part of the rig was named by other rules.
    if limbs.len() > SEVERAL {
        let Some((left, right)) = lacking.first().copied() else { return };
        let text = everywhere(ctx.name(left), ctx.name(right), lacking.len(), sided.pairs.len());
        let mut fact = Fact::new(Subject::Rig, text).evidence(
            "pairs without a side",
            lacking.len() as f64,
            Some(0.0),
            Unit::Count,
        );
        for (left, right) in lacking.iter().take(25) {
            fact = fact.related(Subject::Joint(*left), "twin").related(Subject::Joint(*right), "twin");
        }
        sink.report(hit, fact.fix(style.as_ref().and_then(|style| style.rename(ctx, &lacking))));
        return;
    }
    for pairs in limbs.values() {
        let Some((left, right)) = pairs.first().copied() else { continue };
        let mut fact =
            Fact::new(Subject::Pair(left, right), message(ctx.name(left), ctx.name(right), pairs.len()))
                .evidence("pairs without a side", pairs.len() as f64, Some(0.0), Unit::Count);
        for (left, right) in pairs.iter().take(25) {
            fact = fact.related(Subject::Joint(*left), "twin").related(Subject::Joint(*right), "twin");
        }
        sink.report(hit, fact.fix(style.as_ref().and_then(|style| style.rename(ctx, pairs))));
    }
}

/// More limbs than this are told as one.
const SEVERAL: usize = 3;

/// What two sides of one thing share: the name without side, numbers and separators.
fn letters(ctx: &Context<'_>, joint: JointId) -> String {
    let names = ctx.facts.names();
    let plain = &names.plain[joint.index()];
    let stem = names.sides[joint.index()].as_ref().map_or_else(|| plain.clone(), |token| token.stem(plain));
    stem.chars().filter(|c| c.is_alphabetic()).flat_map(char::to_lowercase).collect()
}

/// How most of the rig's twins write their sides.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
struct Style {
    before: bool,
    separator: String,
    left: String,
    right: String,
}

impl Style {
    fn of(ctx: &Context<'_>, sided: &SidedPairs) -> Option<Self> {
        let names = ctx.facts.names();
        let mut seen: BTreeMap<Self, usize> = BTreeMap::new();
        for (left, right) in &sided.pairs {
            let (Some(a), Some(b)) = (&names.sides[left.index()], &names.sides[right.index()]) else {
                continue;
            };
            if (a.side, b.side) != (Side::Left, Side::Right) {
                continue;
            }
            let name = &names.plain[left.index()];
            let before = a.range.start == 0;
            let beside = if before {
                name[a.range.end..].chars().next()
            } else {
                name[..a.range.start].chars().last()
            };
            let separator = beside.filter(|c| !c.is_alphanumeric()).map(String::from).unwrap_or_default();
            let word = |joint: &JointId, range: &std::ops::Range<usize>| {
                names.plain[joint.index()].get(range.clone()).unwrap_or_default().to_owned()
            };
            let style = Self { before, separator, left: word(left, &a.range), right: word(right, &b.range) };
            *seen.entry(style).or_default() += 1;
        }
        seen.into_iter()
            .max_by_key(|(style, number)| (*number, std::cmp::Reverse(style.clone())))
            .map(|(s, _)| s)
    }

    fn write(&self, stem: &str, side: &str) -> String {
        let Self { separator, .. } = self;
        if self.before { format!("{side}{separator}{stem}") } else { format!("{stem}{separator}{side}") }
    }

    fn rename(&self, ctx: &Context<'_>, pairs: &[(JointId, JointId)]) -> Option<Fix> {
        let names = ctx.facts.names();
        let known = ByName::new(ctx);
        let mut taken: BTreeSet<String> = BTreeSet::new();
        let mut renames = Vec::new();
        for (left, right) in pairs {
            let wanted = match (names.sided(*left), names.sided(*right)) {
                // One says its side: the other follows.
                (Some(_), None) => vec![(*right, names.mate(*left)?)],
                (None, Some(_)) => vec![(*left, names.mate(*right)?)],
                _ => {
                    let stem = &names.plain[left.index()];
                    vec![(*left, self.write(stem, &self.left)), (*right, self.write(stem, &self.right))]
                }
            };
            for (joint, name) in wanted {
                if known.has(&name) || !taken.insert(name.clone()) {
                    return None;
                }
                renames.push((joint, format!("{name}{}", appended(ctx, joint))));
            }
        }
        let summary = format!("name the sides as the other twins do, from {}", renames.first()?.1);
        Some(remedy::rename(ctx.rig, &renames, Applicability::Review, summary))
    }
}

fn message(left: &str, right: &str, pairs: usize) -> String {
    let more = if pairs > 1 {
        format!(", and {} below", count(pairs as u64 - 1, "more pair", "more pairs"))
    } else {
        String::new()
    };
    format!("{left} and {right} are twins, and their names do not say left and right{more}")
}

fn everywhere(left: &str, right: &str, lacking: usize, pairs: usize) -> String {
    format!(
        "{lacking} of {pairs} pairs of twins do not say left and right in their names, from {left} and {right} down"
    )
}

fn none(pairs: usize) -> String {
    format!("none of {pairs} pairs of twins says left and right in its names")
}
