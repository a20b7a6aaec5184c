//! Parts, feet, pieces, groups and roots that name what does not exist.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::json;

use super::unknown_parent::{LISTED, certain};
use crate::check::wording::list;
use crate::check::{Band, Bound, Context, Descriptor, Hit, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, PatchOp, Subject, Unit};
use crate::model::{JointId, PartId, Reads, nearest};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "structure/unknown-member",
    summary: "a declaration names a joint or part that does not exist, or a joint is in two parts",
    why: "a declaration that points at nothing is not in force: the part is shorter than it reads, the piece is carried by nobody",
    rule: Rule { title: "condyle.plan/1", section: "parts, feet, pieces, groups, roots" },
    page: include_str!("unknown_member.md"),
    on: On::PLAN,
    bands: &[
        Band {
            name: "unknown",
            case: "unknown",
            on: On::PLAN,
            bound: Bound::Fact,
            limit: 0.0,
            unit: "",
            severity: Some(Severity::Error),
        },
        Band {
            name: "twice",
            case: "twice",
            on: On::PLAN,
            bound: Bound::Fact,
            limit: 0.0,
            unit: "",
            severity: Some(Severity::Error),
        },
    ],
    requires: &[Need::Joints],
    reads: Reads::JOINTS.union(Reads::PARTS),
    settings: &[],
    plantable: Plantable::Boolean,
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let rig = ctx.rig;
    if let Some(hit) = sink.breach("unknown") {
        let joints: Vec<&str> = rig.joints.iter().filter_map(|joint| joint.name.as_deref()).collect();
        let parts: Vec<&str> = rig.parts.iter().map(|part| part.name.as_str()).collect();
        let mut search = Search { ctx, hit, left: LISTED };
        for (index, part) in rig.parts.iter().enumerate() {
            let asked = unknown(&part.joints);
            if asked.is_empty() {
                continue;
            }
            let joints = others(ctx, &joints, &part.joints);
            search.list(
                sink,
                Subject::Part(PartId::new(index)),
                &format!("/parts/{index}/joints"),
                &asked,
                &joints,
            );
        }
        for (index, group) in rig.groups.iter().enumerate() {
            let asked = unknown(&group.joints);
            if asked.is_empty() {
                continue;
            }
            let joints = others(ctx, &joints, &group.joints);
            let path = format!("/groups/{index}/joints");
            search.list(sink, Subject::Group(index as u32), &path, &asked, &joints);
        }
        let known: BTreeSet<&str> = joints.iter().copied().collect();
        let roots: Vec<(usize, &str)> = rig
            .declared_roots
            .iter()
            .flatten()
            .enumerate()
            .filter(|(_, root)| !known.contains(root.as_str()))
            .map(|(at, root)| (at, root.as_str()))
            .collect();
        search.list(sink, Subject::Rig, "/roots", &roots, &joints);
        for (index, piece) in rig.pieces.iter().enumerate() {
            if let Err(asked) = &piece.carried_by {
                let path = format!("/pieces/{index}/carried_by");
                search.one(sink, Subject::Piece(index as u32), path, asked, ("joint", &joints));
            }
        }
        for (index, foot) in rig.feet.iter().enumerate() {
            if let Err(asked) = &foot.part {
                let path = format!("/feet/{index}/part");
                search.one(sink, Subject::Foot(index as u32), path, asked, ("part", &parts));
            }
        }
    }
    let Some(hit) = sink.breach("twice") else { return };
    // The part that lists a joint first keeps it.
    let mut first: BTreeMap<JointId, usize> = BTreeMap::new();
    for (index, part) in rig.parts.iter().enumerate() {
        let mut again: Vec<(usize, JointId)> = Vec::new();
        for (at, joint) in part.joints.iter().enumerate() {
            let Ok(joint) = joint else { continue };
            if first.contains_key(joint) {
                again.push((at, *joint));
            }
            first.entry(*joint).or_insert(index);
        }
        let Some((_, one)) = again.first() else { continue };
        let owner = first.get(one).copied().unwrap_or(index);
        let part_name = |index: usize| ctx.labels.name(&Subject::Part(PartId::new(index)));
        let names: Vec<&str> = again.iter().map(|(_, joint)| ctx.name(*joint)).collect();
        let text =
            twice(&part_name(index), &list(names.into_iter()), (owner != index).then(|| part_name(owner)));
        let mut fact = Fact::new(Subject::Part(PartId::new(index)), text).evidence(
            "joints listed before",
            again.len() as f64,
            Some(0.0),
            Unit::Count,
        );
        for (_, joint) in again.iter().take(20) {
            fact = fact.identified_by(Subject::Joint(*joint), "member");
        }
        let patch = leave_once(ctx, index, &again, &first);
        // The same joint twice in one part says nothing new; in two parts a person must say which is meant.
        let applicability = if again.iter().all(|(_, joint)| first.get(joint) == Some(&index)) {
            Applicability::Safe
        } else {
            Applicability::Review
        };
        let summary = "leave each joint in one part".to_owned();
        sink.report(hit, fact.fix(Fix::Patch { applicability, summary, patch }));
    }
}

/// Takes joints that a part lists again out of it, or out of the part that lists them first, where only the later one
/// is the chain that they belong to.
fn leave_once(
    ctx: &Context<'_>,
    index: usize,
    again: &[(usize, JointId)],
    first: &BTreeMap<JointId, usize>,
) -> Vec<PatchOp> {
    let parents = &ctx.facts.tree().parent;
    let fits = |part: usize, at: usize, joint: JointId| {
        let list = &ctx.rig.parts[part].joints;
        let beside = |at: Option<usize>| at.and_then(|at| list.get(at)?.as_ref().ok().copied());
        let (before, after) = (beside(at.checked_sub(1)), beside(Some(at + 1)));
        list.len() == 1
            || (before.is_some() && before == parents[joint.index()])
            || after.is_some_and(|after| parents[after.index()] == Some(joint))
    };
    let mut gone: Vec<(usize, usize)> = again
        .iter()
        .map(|(at, joint)| {
            let owner = first.get(joint).copied().filter(|owner| *owner != index);
            let place = owner.and_then(|owner| {
                let there = ctx.rig.parts[owner].joints.iter().position(|one| *one == Ok(*joint))?;
                let later = fits(index, *at, *joint) && !fits(owner, there, *joint);
                later.then_some((owner, there))
            });
            place.unwrap_or((index, *at))
        })
        .collect();
    // Later entries first, so that no removal moves another one's place.
    gone.sort_unstable_by(|a, b| b.cmp(a));
    gone.dedup();
    gone.into_iter().map(|(part, at)| PatchOp::remove(format!("/parts/{part}/joints/{at}"))).collect()
}

/// The names that a list does not have yet: what it lists already is not what a slip in it meant.
fn others<'n>(ctx: &Context<'_>, names: &[&'n str], list: &[Result<JointId, String>]) -> Vec<&'n str> {
    let named = |joint: &JointId| ctx.rig.joints[joint.index()].name.as_deref();
    let listed: BTreeSet<&str> = list.iter().flatten().filter_map(named).collect();
    names.iter().copied().filter(|name| !listed.contains(name)).collect()
}

fn unknown(list: &[Result<JointId, String>]) -> Vec<(usize, &str)> {
    let named = list.iter().enumerate();
    named.filter_map(|(at, joint)| Some((at, joint.as_ref().err()?.as_str()))).collect()
}

struct Search<'c, 'a> {
    ctx: &'c Context<'a>,
    hit: Hit,
    /// Looking for a spelling means reading every name: only for as many as a report lists.
    left: usize,
}

impl Search<'_, '_> {
    fn near<'n>(&mut self, asked: &str, known: &[&'n str]) -> Option<&'n str> {
        self.left = self.left.checked_sub(1)?;
        nearest(asked, known.iter().copied())
    }

    /// One finding for all unknown names of a list: near ones are replaced, the others taken out.
    fn list(
        &mut self,
        sink: &mut Sink<'_>,
        subject: Subject,
        path: &str,
        asked: &[(usize, &str)],
        known: &[&str],
    ) {
        if asked.is_empty() {
            return;
        }
        let near: Vec<Option<&str>> = asked.iter().map(|(_, name)| self.near(name, known)).collect();
        let sure = asked
            .iter()
            .zip(&near)
            .all(|((_, name), near)| near.is_some_and(|near| certain(name, near, known.iter().copied())));
        let mut patch: Vec<PatchOp> = asked
            .iter()
            .zip(&near)
            .filter_map(|((at, _), near)| {
                let (op, path) = ("replace".to_owned(), format!("{path}/{at}"));
                Some(PatchOp { op, path, value: Some(json!((*near)?)) })
            })
            .collect();
        // Later entries first, so that no removal moves another one's place.
        let gone = asked.iter().zip(&near).rev().filter(|(_, near)| near.is_none());
        patch.extend(gone.map(|((at, _), _)| PatchOp::remove(format!("{path}/{at}"))));
        let applicability = if sure { Applicability::Safe } else { Applicability::Review };
        let summary = match near.as_slice() {
            [Some(near)] => format!("name {near} instead"),
            _ => "name the joints that are meant, and leave out the others".to_owned(),
        };
        let shown: Vec<String> = asked.iter().map(|(_, name)| cut(name)).collect();
        let text = listed(
            &self.ctx.labels.name(&subject),
            &list(shown.iter().map(String::as_str)),
            asked.len(),
            near.first().copied().flatten().filter(|_| asked.len() == 1),
        );
        let fact = Fact::new(subject, text).evidence(
            "names without a joint",
            asked.len() as f64,
            Some(0.0),
            Unit::Count,
        );
        sink.report(self.hit, fact.fix(Fix::Patch { applicability, summary, patch }));
    }

    fn one(
        &mut self,
        sink: &mut Sink<'_>,
        subject: Subject,
        path: String,
        asked: &str,
        (what, known): (&str, &[&str]),
    ) {
        let near = self.near(asked, known);
        let fix = near.map(|near| Fix::Patch {
            applicability: if certain(asked, near, known.iter().copied()) {
                Applicability::Safe
            } else {
                Applicability::Review
            },
            summary: format!("name {near} instead"),
            patch: vec![PatchOp::set(path, json!(near))],
        });
        let text = single(&self.ctx.labels.name(&subject), what, &cut(asked), near);
        sink.report(self.hit, Fact::new(subject, text).fix(fix));
    }
}

fn cut(name: &str) -> String {
    name.chars().take(80).collect()
}

fn listed(name: &str, asked: &str, number: usize, near: Option<&str>) -> String {
    let hint = near.map_or(String::new(), |near| format!(" (did you mean {near}?)"));
    if number == 1 {
        format!("{name} lists {asked}, which no joint is called{hint}")
    } else {
        format!("{name} lists {number} names that no joint has ({asked})")
    }
}

fn single(name: &str, what: &str, asked: &str, near: Option<&str>) -> String {
    let hint = near.map_or(String::new(), |near| format!(" (did you mean {near}?)"));
    format!("{name} names {asked}, which no {what} is called{hint}")
}

fn twice(part: &str, joints: &str, owner: Option<String>) -> String {
    match owner {
        Some(owner) => format!("{part} lists {joints}, which {owner} has already"),
        None => format!("{part} lists {joints} twice"),
    }
}
