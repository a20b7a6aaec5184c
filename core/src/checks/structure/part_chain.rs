//! A part's joints, each the parent of the next.

use serde_json::json;

use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::facts::Tree;
use crate::finding::{Applicability, Fact, Fix, PatchOp, Subject, Unit};
use crate::model::{JointId, Parent, PartId, Reads, Rig};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "structure/part-chain",
    summary: "a part's joints are no chain in the listed order",
    why: "everything that bends, mirrors or measures a limb walks its part in order: a step that leaves the chain bends the wrong joint",
    rule: Rule { title: "condyle.plan/1", section: "parts/joints" },
    page: include_str!("part_chain.md"),
    on: On::PLAN,
    bands: &[
        Band {
            name: "order",
            case: "order",
            on: On::PLAN,
            bound: Bound::Fact,
            limit: 0.0,
            unit: "",
            severity: Some(Severity::Error),
        },
        Band {
            name: "broken",
            case: "broken",
            on: On::PLAN,
            bound: Bound::Fact,
            limit: 0.0,
            unit: "",
            severity: Some(Severity::Error),
        },
    ],
    requires: &[Need::Parts],
    reads: Reads::JOINTS.union(Reads::PARTS),
    settings: &[],
    plantable: Plantable::Boolean,
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let (rig, tree) = (ctx.rig, ctx.facts.tree());
    for (index, part) in rig.parts.iter().enumerate() {
        let mut joints: Vec<JointId> = Vec::new();
        for joint in part.joints.iter().flatten() {
            // A joint listed twice, or first by another part, is told elsewhere and walked once.
            if rig.joints[joint.index()].part == Some(PartId::new(index)) && joints.last() != Some(joint) {
                joints.push(*joint);
            }
        }
        let broken: Vec<(JointId, JointId)> = joints
            .windows(2)
            .map(|two| (two[0], two[1]))
            .filter(|(up, joint)| decided(rig, *joint) && tree.parent[joint.index()] != Some(*up))
            .collect();
        if broken.is_empty() {
            continue;
        }
        let name = ctx.labels.name(&Subject::Part(PartId::new(index)));
        if let Some(right) = in_order(rig, tree, &joints) {
            let Some(hit) = sink.breach("order") else { continue };
            let names: Vec<&str> = right.iter().map(|joint| ctx.name(*joint)).collect();
            let mut fact = Fact::new(Subject::Part(PartId::new(index)), order(&name, ctx.name(broken[0].1)))
                .evidence("steps out of order", broken.len() as f64, Some(0.0), Unit::Count);
            for (_, joint) in broken.iter().take(20) {
                fact = fact.related(Subject::Joint(*joint), "member");
            }
            let complete = part.joints.len() == right.len();
            let fix = complete.then(|| Fix::Patch {
                applicability: Applicability::Safe,
                summary: format!("list the joints of {name} from the root down"),
                patch: vec![PatchOp::set(format!("/parts/{index}/joints"), json!(names))],
            });
            sink.report(hit, fact.fix(fix));
            continue;
        }
        let Some(hit) = sink.breach("broken") else { continue };
        let (up, joint) = broken[0];
        let parent = tree.parent[joint.index()];
        let text =
            chain_broken(&name, ctx.name(joint), parent.map(|p| ctx.name(p)), ctx.name(up), broken.len());
        let mut fact = Fact::new(Subject::Part(PartId::new(index)), text).evidence(
            "joints that do not hang from the one before",
            broken.len() as f64,
            Some(0.0),
            Unit::Count,
        );
        for (_, joint) in broken.iter().take(20) {
            fact = fact.identified_by(Subject::Joint(*joint), "member");
        }
        sink.report(hit, fact.fix(hang(ctx, tree, &broken)));
    }
}

/// An undecided or unknown parent is another check's, and no breach of the chain yet.
fn decided(rig: &Rig, joint: JointId) -> bool {
    matches!(rig.joints[joint.index()].parent, Parent::Joint(_) | Parent::Root)
}

/// The same joints from the root down, if they are one unbranched chain whatever the list says.
fn in_order(rig: &Rig, tree: &Tree, joints: &[JointId]) -> Option<Vec<JointId>> {
    let mut sorted = joints.to_vec();
    sorted.sort_by_key(|joint| tree.depth[joint.index()]);
    let chained = sorted.windows(2).all(|two| tree.parent[two[1].index()] == Some(two[0]));
    (chained && joints.iter().all(|joint| decided(rig, *joint))).then_some(sorted)
}

/// Hangs each joint from the one listed before it, unless that one hangs below it.
fn hang(ctx: &Context<'_>, tree: &Tree, broken: &[(JointId, JointId)]) -> Option<Fix> {
    // Many broken links are a list of its own making, and each is looked for up to the root.
    let loops = |broken: &[(JointId, JointId)]| {
        broken.iter().any(|(up, joint)| tree.ancestors(*up).any(|above| above == *joint))
    };
    if broken.len() > 20 || loops(broken) {
        return None;
    }
    let named = |joint: JointId| ctx.rig.joints[joint.index()].name.as_deref();
    let patch: Option<Vec<PatchOp>> = broken
        .iter()
        .map(|(up, joint)| Some(PatchOp::set(format!("/joints/{}/parent", joint.0), json!(named(*up)?))))
        .collect();
    Some(Fix::Patch {
        applicability: Applicability::Review,
        summary: "hang each joint from the one listed before it".to_owned(),
        patch: patch?,
    })
}

fn order(part: &str, joint: &str) -> String {
    format!("{part} is a chain that is listed in another order (at {joint})")
}

fn chain_broken(part: &str, joint: &str, parent: Option<&str>, up: &str, number: usize) -> String {
    let from = parent.map_or("is a root".to_owned(), |parent| format!("hangs from {parent}"));
    let more = if number > 1 { format!(", as {} more do", number - 1) } else { String::new() };
    let more = if number == 2 { ", as one more does".to_owned() } else { more };
    format!("{part} is no chain: {joint} {from} and not from {up}, which is listed before it{more}")
}
