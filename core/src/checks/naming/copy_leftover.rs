//! Names that an editor made up for a copy.

use std::collections::{BTreeMap, BTreeSet};

use crate::check::remedy;
use crate::check::wording::list;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Subject, Unit};
use crate::model::{JointId, Reads};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "naming/copy-leftover",
    summary: "a name is left over from copying",
    why: "a counter that an editor appended says nothing about the joint and changes with the next copy, so everything that goes by name breaks",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("copy_leftover.md"),
    on: On::BOTH,
    bands: &[Band {
        name: "leftover",
        case: "",
        on: On::BOTH,
        bound: Bound::Fact,
        limit: 0.0,
        unit: "",
        severity: Some(Severity::Warning),
    }],
    requires: &[Need::Names],
    reads: Reads::NAMES,
    settings: &[],
    plantable: Plantable::Boolean,
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let Some(hit) = sink.breach("") else { return };
    let names = ctx.facts.names();
    if names.exporter_numbers {
        return;
    }
    let tree = ctx.facts.tree();
    let plain = &names.plain;
    let marks: Vec<Option<Mark<'_>>> = plain.iter().map(|name| mark(name)).collect();
    let mut stems: BTreeMap<&str, u32> = BTreeMap::new();
    for (name, mark) in plain.iter().zip(&marks) {
        *stems.entry(mark.as_ref().map_or(name.as_str(), |m| m.stem)).or_default() += 1;
    }
    let on_purpose = |index: usize| {
        let Some(Mark { stem, number: Some(number), dotted: true }) = marks[index] else { return false };
        let follows = |other: usize, step: i64| match marks[other] {
            Some(Mark { stem: s, number: Some(n), .. }) => {
                s == stem && i64::from(n) == i64::from(number) + step
            }
            Some(_) => false,
            None => plain[other] == stem && i64::from(number) + step == 0,
        };
        // Counted along the chain, one by one: that is a numbering, whoever began it.
        tree.parent[index].is_some_and(|up| follows(up.index(), -1))
            || (number <= 1 && tree.children[index].iter().any(|child| follows(child.index(), 1)))
    };
    let whole: BTreeSet<&str> = plain.iter().map(String::as_str).collect();
    let left: Vec<(JointId, String)> = marks
        .iter()
        .enumerate()
        .filter(|(index, _)| !on_purpose(*index))
        .filter_map(|(index, mark)| {
            let mark = mark.as_ref()?;
            let exists = whole.contains(mark.stem);
            let unique = stems.get(mark.stem) == Some(&1);
            (exists || unique).then(|| (JointId::new(index), mark.stem.to_owned()))
        })
        .collect();
    if left.is_empty() {
        return;
    }
    let mut taken: BTreeSet<String> = plain.iter().cloned().collect();
    // The next number to try per stem, so that a thousand copies of one name are not counted from two each.
    let mut next: BTreeMap<&str, u32> = BTreeMap::new();
    let renames: Vec<(JointId, String)> = left
        .iter()
        .map(|(joint, stem)| {
            let number = next.entry(stem).or_insert(2);
            let mut new = stem.clone();
            while !taken.insert(new.clone()) {
                new = format!("{stem}_{number:02}");
                *number += 1;
            }
            (*joint, new)
        })
        .collect();
    let subject = if let [(only, _)] = left.as_slice() { Subject::Joint(*only) } else { Subject::Rig };
    let text = message(left.len(), &list(left.iter().map(|(joint, _)| ctx.name(*joint))));
    let summary = format!("rename to {}", list(renames.iter().map(|(_, name)| name.as_str())));
    let mut fact = Fact::new(subject, text)
        .evidence("names", left.len() as f64, Some(0.0), Unit::Count)
        .fix(remedy::rename(ctx.rig, &renames, Applicability::Safe, summary));
    for (joint, _) in left.iter().take(50) {
        fact = fact.related(Subject::Joint(*joint), "member");
    }
    sink.report(hit, fact);
}

/// What a copy left in a name.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Mark<'a> {
    stem: &'a str,
    number: Option<u32>,
    dotted: bool,
}

fn mark(name: &str) -> Option<Mark<'_>> {
    // `name.001`: a counter of three digits after a dot.
    if let Some((stem, digits)) = name.rsplit_once('.')
        && digits.len() == 3
        && digits.bytes().all(|b| b.is_ascii_digit())
        && !stem.is_empty()
    {
        return Some(Mark { stem, number: digits.parse().ok(), dotted: true });
    }
    // `name (2)`, `name(2)`.
    if let Some(open) = name.strip_suffix(')')
        && let Some((stem, digits)) = open.rsplit_once('(')
        && !digits.is_empty()
        && digits.len() < 5
        && digits.bytes().all(|b| b.is_ascii_digit())
        && !stem.trim_end().is_empty()
    {
        return Some(Mark { stem: stem.trim_end(), number: digits.parse().ok(), dotted: false });
    }
    // `name copy`, `name_copy 2`, `Copy of name`.
    let lower = name.to_ascii_lowercase();
    if let Some(rest) = lower.strip_prefix("copy of ") {
        return Some(Mark { stem: &name[name.len() - rest.len()..], number: None, dotted: false });
    }
    let bare = lower.trim_end_matches(|c: char| c.is_ascii_digit()).trim_end_matches([' ', '_', '-', '.']);
    let stem = bare.strip_suffix("copy")?;
    let cut = stem.trim_end_matches([' ', '_', '-', '.']);
    (cut.len() < stem.len() && !cut.is_empty()).then(|| Mark {
        stem: &name[..cut.len()],
        number: None,
        dotted: false,
    })
}

fn message(count: usize, names: &str) -> String {
    if count == 1 {
        format!("the name {names} is left over from copying")
    } else {
        format!("{count} names are left over from copying ({names})")
    }
}

#[cfg(test)]
mod tests {
    use super::mark;

    #[test]
    fn copies_are_told_from_numbers() {
        for (name, stem) in [
            ("toe.001", "toe"),
            ("toe (2)", "toe"),
            ("toe copy", "toe"),
            ("toe_copy2", "toe"),
            ("Copy of toe", "toe"),
        ] {
            assert_eq!(mark(name).map(|m| m.stem), Some(stem), "{name}");
        }
        for name in ["toe_01", "toe1", "photocopy", "v1.2", "toe.L", "toe.0001", "(2)", "copy"] {
            assert_eq!(mark(name), None, "{name}");
        }
    }
}
