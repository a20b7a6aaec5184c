//! Numbers along a chain.

use std::collections::{BTreeMap, BTreeSet};

use crate::check::remedy;
use crate::check::wording::list;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Subject, Unit};
use crate::model::{JointId, Reads};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "naming/sequence",
    summary: "the numbers along a chain have gaps or are out of order",
    why: "scripts and people find the next joint of a chain by its number: a gap ends the search early, and disorder bends the wrong joint",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("sequence.md"),
    on: On::BOTH,
    bands: &[Band {
        name: "sequence",
        case: "",
        on: On::BOTH,
        bound: Bound::Fact,
        limit: 0.0,
        unit: "",
        severity: Some(Severity::Note),
    }],
    requires: &[Need::Names],
    reads: Reads::NAMES.union(Reads::JOINTS),
    settings: &[],
    plantable: Plantable::Boolean,
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

/// Fewer joints than this are no sequence.
const SHORTEST: usize = 3;

/// A name around its number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Numbered<'n> {
    before: &'n str,
    after: &'n str,
    number: u32,
    digits: usize,
}

impl Numbered<'_> {
    fn with(&self, number: u32) -> String {
        format!("{}{number:0width$}{}", self.before, self.after, width = self.digits)
    }
}

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let Some(hit) = sink.breach("") else { return };
    let names = ctx.facts.names();
    // Numbers that an exporter appended count nodes, not joints of a chain.
    if names.exporter_numbers {
        return;
    }
    let tree = ctx.facts.tree();
    let numbered: Vec<Option<Numbered<'_>>> = names.plain.iter().map(|name| numbered(name)).collect();
    let mut taken: BTreeMap<(&str, &str), BTreeSet<u32>> = BTreeMap::new();
    for one in numbered.iter().flatten() {
        taken.entry((one.before, one.after)).or_default().insert(one.number);
    }
    let same = |a: usize, b: usize| match (&numbered[a], &numbered[b]) {
        (Some(a), Some(b)) => (a.before, a.after) == (b.before, b.after),
        _ => false,
    };
    let spread = spread(ctx, &numbered);
    for top in &tree.order {
        let index = top.index();
        let Some(first) = &numbered[index] else { continue };
        if tree.parent[index].is_some_and(|up| same(up.index(), index)) {
            continue;
        }
        let used = &taken[&(first.before, first.after)];
        // A name that numbers most joints of a file, across its branches, numbers no chain.
        if used.len() * 2 > ctx.rig.joints.len() && spread.contains(&(first.before, first.after)) {
            continue;
        }
        let mut chain = vec![*top];
        loop {
            let at = chain[chain.len() - 1].index();
            let mut next = tree.children[at].iter().filter(|child| same(child.index(), index));
            match (next.next(), next.next()) {
                (Some(only), None) => chain.push(*only),
                _ => break,
            }
        }
        let numbers: Vec<u32> =
            chain.iter().filter_map(|joint| numbered[joint.index()].map(|n| n.number)).collect();
        let Some(fault) = fault(&numbers, used) else { continue };
        let renames: Vec<(JointId, String)> = chain
            .iter()
            .zip(renumbered(&numbers))
            .filter_map(|(joint, number)| {
                let one = numbered[joint.index()]?;
                (one.number != number).then(|| (*joint, one.with(number)))
            })
            .collect();
        let own: BTreeSet<u32> = numbers.iter().copied().collect();
        // A new name must be free, or that of a joint of this chain, which moves on as well.
        let free = renumbered(&numbers).all(|number| own.contains(&number) || !used.contains(&number));
        let fix = free.then(|| {
            let summary = format!("renumber {}", list(renames.iter().map(|(_, name)| name.as_str())));
            remedy::rename(ctx.rig, &renames, Applicability::Review, summary)
        });
        let last = chain[chain.len() - 1];
        let text = message(ctx.name(*top), ctx.name(last), &fault, &numbers);
        let wrong = f64::from(fault.count());
        let fact = Fact::new(Subject::Chain(chain), text).evidence("steps", wrong, Some(0.0), Unit::Count);
        sink.report(hit, fact.fix(fix));
    }
}

/// Names of which one joint has several children.
fn spread<'n>(ctx: &Context<'_>, numbered: &[Option<Numbered<'n>>]) -> BTreeSet<(&'n str, &'n str)> {
    let tree = ctx.facts.tree();
    let mut several = BTreeSet::new();
    let mut below = BTreeSet::new();
    for children in &tree.children {
        below.clear();
        for one in children.iter().filter_map(|child| numbered[child.index()]) {
            if !below.insert((one.before, one.after)) {
                several.insert((one.before, one.after));
            }
        }
    }
    several
}

/// The last run of digits, if it is short enough to be a counter and no editor's.
fn numbered(name: &str) -> Option<Numbered<'_>> {
    let end = name.rfind(|c: char| c.is_ascii_digit())? + 1;
    let before = name[..end].trim_end_matches(|c: char| c.is_ascii_digit());
    let digits = &name[before.len()..end];
    let after = &name[end..];
    // `name.001` is what an editor makes of a copy: told elsewhere.
    let copy = digits.len() == 3 && before.ends_with('.');
    (digits.len() <= 4 && !copy && !before.is_empty())
        .then(|| Some(Numbered { before, after, number: digits.parse().ok()?, digits: digits.len() }))?
}

#[derive(Debug, PartialEq)]
enum Fault {
    Gaps(u32),
    Disorder(u32),
}

impl Fault {
    fn count(&self) -> u32 {
        match self {
            Self::Gaps(n) | Self::Disorder(n) => *n,
        }
    }
}

/// Numbers that go up by one, down by one, or in any other even step are a sequence; so is one whose missing numbers are in use
/// elsewhere.
fn fault(numbers: &[u32], used: &BTreeSet<u32>) -> Option<Fault> {
    if numbers.len() < SHORTEST {
        return None;
    }
    let steps: Vec<i64> = numbers.windows(2).map(|two| i64::from(two[1]) - i64::from(two[0])).collect();
    if steps.iter().all(|step| *step == steps[0] && *step != 0) {
        return None;
    }
    let up = steps.iter().filter(|step| **step > 0).count();
    let down = steps.iter().filter(|step| **step < 0).count();
    let wrong = if up >= down { steps.len() - up } else { steps.len() - down };
    if wrong > 0 {
        return Some(Fault::Disorder(wrong as u32));
    }
    let missing = |two: &[u32]| {
        let (low, high) = (two[0].min(two[1]), two[0].max(two[1]));
        u32::from((low + 1..high).any(|number| !used.contains(&number)))
    };
    let gaps: u32 = numbers.windows(2).map(missing).sum();
    (gaps > 0).then_some(Fault::Gaps(gaps))
}

/// The numbers the chain would have: by ones from its first, the way most of it goes.
fn renumbered(numbers: &[u32]) -> impl Iterator<Item = u32> + use<> {
    let up = numbers.windows(2).filter(|two| two[1] > two[0]).count() * 2 >= numbers.len() - 1;
    let low = numbers.iter().copied().min().unwrap_or(0);
    let count = numbers.len() as u32;
    let start = if up { low } else { low + count - 1 };
    (0..count).map(move |at| if up { start + at } else { start - at })
}

fn message(first: &str, last: &str, fault: &Fault, numbers: &[u32]) -> String {
    let shown: Vec<String> = numbers.iter().take(12).map(u32::to_string).collect();
    let more = if numbers.len() > 12 { ", …" } else { "" };
    let what = match fault {
        Fault::Gaps(1) => "has a gap".to_owned(),
        Fault::Gaps(n) => format!("has {n} gaps"),
        Fault::Disorder(1) => "has one step out of order".to_owned(),
        Fault::Disorder(n) => format!("has {n} steps out of order"),
    };
    format!("the numbering from {first} to {last} {what} ({}{more})", shown.join(", "))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn counters_are_told_from_other_numbers() {
        let read = |name| numbered(name).map(|n| (n.before, n.number, n.after));
        assert_eq!(read("leg_l_02"), Some(("leg_l_", 2, "")));
        assert_eq!(read("leg_02_l"), Some(("leg_", 2, "_l")));
        assert_eq!(read("toe.001"), None, "a copy's counter");
        assert_eq!(read("spine"), None);
        assert_eq!(read("12"), None, "a number alone counts nothing");
        assert_eq!(read("node_123456"), None);
    }

    #[test]
    fn even_steps_are_sequences_and_others_are_not() {
        let of = |numbers: &[u32]| fault(numbers, &numbers.iter().copied().collect());
        assert_eq!(of(&[1, 2, 3]), None);
        assert_eq!(of(&[5, 4, 3, 2]), None, "vertebrae count downwards");
        assert_eq!(of(&[10, 20, 30]), None);
        assert_eq!(of(&[1, 2, 4]), Some(Fault::Gaps(1)));
        assert_eq!(of(&[1, 3, 2]), Some(Fault::Disorder(1)));
        assert_eq!(of(&[1, 1, 2]), Some(Fault::Disorder(1)));
        assert_eq!(of(&[1, 3]), None, "two are no sequence");
        assert_eq!(fault(&[1, 2, 4], &BTreeSet::from([1, 2, 3, 4])), None, "3 is in use elsewhere");
        assert_eq!(renumbered(&[1, 2, 4, 5]).collect::<Vec<_>>(), [1, 2, 3, 4]);
        assert_eq!(renumbered(&[5, 4, 2]).collect::<Vec<_>>(), [4, 3, 2]);
    }
}
