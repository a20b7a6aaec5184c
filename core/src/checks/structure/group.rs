//! Groups of controls: each control in one, none empty, twins mirrored.

use std::collections::BTreeMap;

use serde_json::json;

use crate::check::wording::list;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, PatchOp, Subject, Unit};
use crate::model::{JointId, Reads, Role};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "structure/group",
    summary: "a control is in no group or in several, or the groups of twins do not mirror",
    why: "animators select, key and mirror by group: a control outside is forgotten, and one in the wrong group is keyed with the other side",
    rule: Rule { title: "condyle.plan/1", section: "groups" },
    page: include_str!("group.md"),
    on: On::PLAN,
    bands: &[
        Band {
            name: "no-group",
            case: "no-group",
            on: On::PLAN,
            bound: Bound::Fact,
            limit: 0.0,
            unit: "",
            severity: Some(Severity::Note),
        },
        Band {
            name: "several",
            case: "several",
            on: On::PLAN,
            bound: Bound::Fact,
            limit: 0.0,
            unit: "",
            severity: Some(Severity::Note),
        },
        Band {
            name: "empty",
            case: "empty",
            on: On::PLAN,
            bound: Bound::Fact,
            limit: 0.0,
            unit: "",
            severity: Some(Severity::Note),
        },
        Band {
            name: "twins",
            case: "twins",
            on: On::PLAN,
            bound: Bound::Fact,
            limit: 0.0,
            unit: "",
            severity: Some(Severity::Note),
        },
    ],
    requires: &[Need::Groups],
    reads: Reads::JOINTS.union(Reads::PARTS),
    settings: &[],
    plantable: Plantable::Boolean,
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let rig = ctx.rig;
    // Every mention of a joint: group and place in its list.
    let mut mentions: Vec<Vec<(usize, usize)>> = vec![Vec::new(); rig.joints.len()];
    for (number, group) in rig.groups.iter().enumerate() {
        for (at, joint) in group.joints.iter().enumerate() {
            if let Ok(joint) = joint {
                mentions[joint.index()].push((number, at));
            }
        }
        if group.joints.is_empty()
            && let Some(hit) = sink.breach("empty")
        {
            let subject = Subject::Group(number as u32);
            let text = empty(&ctx.labels.name(&subject));
            let fix = Fix::Patch {
                applicability: Applicability::Review,
                summary: "remove the group".to_owned(),
                patch: vec![PatchOp::remove(format!("/groups/{number}"))],
            };
            sink.report(hit, Fact::new(subject, text).fix(fix));
        }
    }
    no_group(ctx, sink, &mentions);
    several(ctx, sink, &mentions);
    twins(ctx, sink, &mentions);
}

fn no_group(ctx: &Context<'_>, sink: &mut Sink<'_>, mentions: &[Vec<(usize, usize)>]) {
    let Some(hit) = sink.breach("no-group") else { return };
    let lone: Vec<JointId> = (0..mentions.len())
        .map(JointId::new)
        .filter(|j| mentions[j.index()].is_empty() && ctx.rig.joints[j.index()].role == Some(Role::Control))
        .collect();
    if lone.is_empty() {
        return;
    }
    let names: Vec<&str> = lone.iter().map(|joint| ctx.name(*joint)).collect();
    let subject = if let [only] = lone.as_slice() { Subject::Joint(*only) } else { Subject::Rig };
    let mut fact = Fact::new(subject, outside(&list(names.into_iter()), lone.len())).evidence(
        "controls in no group",
        lone.len() as f64,
        Some(0.0),
        Unit::Count,
    );
    if lone.len() > 1 {
        for joint in lone.iter().take(50) {
            fact = fact.related(Subject::Joint(*joint), "member");
        }
    }
    // A control goes with the nearest one above it that has a group.
    let tree = ctx.facts.tree();
    let mut nearest: Vec<Option<usize>> = vec![None; mentions.len()];
    for joint in &tree.order {
        let own = mentions[joint.index()].first().map(|(group, _)| *group);
        nearest[joint.index()] =
            own.or_else(|| tree.parent[joint.index()].and_then(|up| nearest[up.index()]));
    }
    let patch: Option<Vec<PatchOp>> = lone
        .iter()
        .map(|joint| {
            let group = nearest[joint.index()]?;
            let name = ctx.rig.joints[joint.index()].name.as_deref()?;
            Some(PatchOp::set(format!("/groups/{group}/joints/-"), json!(name)))
        })
        .collect();
    let fix = patch.map(|patch| Fix::Patch {
        applicability: Applicability::Review,
        summary: "put it into the group of the control above".to_owned(),
        patch,
    });
    sink.report(hit, fact.fix(fix));
}

fn several(ctx: &Context<'_>, sink: &mut Sink<'_>, mentions: &[Vec<(usize, usize)>]) {
    let Some(hit) = sink.breach("several") else { return };
    for (index, places) in mentions.iter().enumerate().filter(|(_, places)| places.len() > 1) {
        let joint = JointId::new(index);
        let names: Vec<String> =
            places.iter().map(|(group, _)| ctx.labels.name(&Subject::Group(*group as u32))).collect();
        let text = in_several(ctx.name(joint), places.len(), &list(names.iter().map(String::as_str)));
        let mut fact = Fact::new(Subject::Joint(joint), text).evidence(
            "mentions in groups",
            places.len() as f64,
            Some(1.0),
            Unit::Count,
        );
        for (group, _) in places.iter().take(10) {
            fact = fact.related(Subject::Group(*group as u32), "group");
        }
        // It stays where nothing else is, so that no group is emptied.
        let alone = |(group, _): &(usize, usize)| ctx.rig.groups[*group].joints.len() == 1;
        let kept = places.iter().position(alone).unwrap_or(0);
        // Later mentions first, so that no removal moves another one's place.
        let patch = places
            .iter()
            .enumerate()
            .rev()
            .filter(|(number, _)| *number != kept)
            .map(|(_, (group, at))| PatchOp::remove(format!("/groups/{group}/joints/{at}")))
            .collect();
        let summary = format!("leave it in {} only", names[kept]);
        sink.report(hit, fact.fix(Fix::Patch { applicability: Applicability::Review, summary, patch }));
    }
}

/// The group of a joint's twin must be the same for all joints of a group.
fn twins(ctx: &Context<'_>, sink: &mut Sink<'_>, mentions: &[Vec<(usize, usize)>]) {
    let Some(hit) = sink.breach("twins") else { return };
    let mut images: BTreeMap<usize, BTreeMap<Option<usize>, Vec<(JointId, JointId)>>> = BTreeMap::new();
    for (left, right) in &ctx.facts.twins().pairs {
        let group = |joint: &JointId| match mentions[joint.index()].as_slice() {
            [] => Some(None),
            [(group, _)] => Some(Some(*group)),
            _ => None,
        };
        // In several groups: told already.
        let (Some(a), Some(b)) = (group(left), group(right)) else { continue };
        for (here, there, pair) in [(a, b, (*left, *right)), (b, a, (*right, *left))] {
            if let Some(here) = here {
                images.entry(here).or_default().entry(there).or_default().push(pair);
            }
        }
    }
    let name = |group: usize| ctx.labels.name(&Subject::Group(group as u32));
    for (group, by_image) in &images {
        // A group that is its own image holds both sides; else all twins lie in one other group.
        let usual = by_image
            .iter()
            .filter_map(|(image, pairs)| Some(((*image)?, pairs.len())))
            .max_by_key(|(image, number)| (*number, std::cmp::Reverse(*image)));
        let odd: Vec<(Option<usize>, (JointId, JointId))> = by_image
            .iter()
            .filter(|(image, _)| **image != usual.map(|(image, _)| image))
            .flat_map(|(image, pairs)| pairs.iter().map(|pair| (*image, *pair)))
            .collect();
        let Some((image, (joint, twin))) = odd.first() else { continue };
        let text = not_mirrored(
            &name(*group),
            ctx.name(*joint),
            ctx.name(*twin),
            image.map(name).as_deref(),
            usual.map(|(image, _)| name(image)).as_deref(),
        );
        let mut fact = Fact::new(Subject::Group(*group as u32), text).evidence(
            "joints whose twin is elsewhere",
            odd.len() as f64,
            Some(0.0),
            Unit::Count,
        );
        for (_, (joint, _)) in odd.iter().take(20) {
            fact = fact.identified_by(Subject::Joint(*joint), "member");
        }
        sink.report(hit, fact);
    }
}

fn empty(group: &str) -> String {
    format!("{group} is a group of 0 joints")
}

fn outside(names: &str, number: usize) -> String {
    if number == 1 {
        format!("{names} is a control and in no group")
    } else {
        format!("{number} controls are in no group ({names})")
    }
}

fn in_several(name: &str, number: usize, groups: &str) -> String {
    format!("{name} is mentioned {number} times in groups ({groups})")
}

fn not_mirrored(group: &str, joint: &str, twin: &str, image: Option<&str>, usual: Option<&str>) -> String {
    let there = image.map_or("in no group".to_owned(), |image| format!("in {image}"));
    let wanted = usual.map_or(String::new(), |usual| format!(", and the other twins are in {usual}"));
    format!("{group} holds {joint}, whose twin {twin} is {there}{wanted}")
}
