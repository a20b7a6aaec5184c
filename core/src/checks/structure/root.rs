//! Roots: as many as meant, common to each skin, in the scene.

use crate::check::adopt::hang;
use crate::check::wording::list;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Fact, Subject, Unit};
use crate::model::{JointId, NodeId, Parent, Reads, Rig, SkinId, Source};
use crate::parenting;
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "structure/root",
    summary: "the skeleton's roots are not what they must be",
    why: "a branch without the common root stays behind when the character moves, and a skin without one may not be drawn at all",
    rule: Rule { title: "glTF 2.0", section: "3.7.3.2" },
    page: include_str!("root.md"),
    on: On::BOTH,
    bands: &[
        Band {
            name: "undeclared",
            case: "undeclared",
            on: On::PLAN,
            bound: Bound::Fact,
            limit: 0.0,
            unit: "",
            severity: Some(Severity::Error),
        },
        Band {
            name: "no-common-root",
            case: "no-common-root",
            on: On::GLTF,
            bound: Bound::Fact,
            limit: 0.0,
            unit: "",
            severity: Some(Severity::Error),
        },
        Band {
            name: "outside-scene",
            case: "outside-scene",
            on: On::GLTF,
            bound: Bound::Fact,
            limit: 0.0,
            unit: "",
            severity: Some(Severity::Error),
        },
        Band {
            name: "several",
            case: "several",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 1.0,
            unit: "roots",
            severity: Some(Severity::Note),
        },
    ],
    requires: &[Need::Joints],
    reads: Reads::JOINTS,
    settings: &[],
    plantable: Plantable::Boolean,
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    match ctx.rig.source {
        Source::Plan => plan(ctx, sink),
        Source::Gltf => gltf(ctx, sink),
    }
}

fn plan(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let Some(hit) = sink.breach("undeclared") else { return };
    let rig = ctx.rig;
    let roots: Vec<JointId> = (0..rig.joints.len())
        .map(JointId::new)
        .filter(|joint| rig.joints[joint.index()].parent == Parent::Root)
        .collect();
    match &rig.declared_roots {
        None if roots.len() > 1 => {
            let names = list(roots.iter().map(|root| ctx.name(*root)).collect::<Vec<_>>().into_iter());
            let mut fact = Fact::new(Subject::Rig, undeclared(roots.len(), &names)).evidence(
                "roots",
                roots.len() as f64,
                Some(1.0),
                Unit::Count,
            );
            for root in roots {
                fact = fact.related(Subject::Joint(root), "root");
            }
            let joined = parenting::rejoined(ctx.facts);
            let fix = (!joined.is_empty()).then(|| hang(ctx, &joined));
            sink.report(hit, fact.fix(fix));
        }
        None => {}
        Some(declared) => {
            let listed = |joint: JointId| {
                rig.joints[joint.index()].name.as_ref().is_some_and(|name| declared.contains(name))
            };
            for root in roots.iter().filter(|root| !listed(**root)) {
                sink.report(hit, Fact::new(Subject::Joint(*root), not_listed(ctx.name(*root))));
            }
            for index in 0..rig.joints.len() {
                let joint = JointId::new(index);
                if let Parent::Joint(parent) = rig.joints[index].parent
                    && listed(joint)
                {
                    let text = listed_but_hung(ctx.name(joint), ctx.name(parent));
                    sink.report(
                        hit,
                        Fact::new(Subject::Joint(joint), text).related(Subject::Joint(parent), "parent"),
                    );
                }
            }
        }
    }
}

fn gltf(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let rig = ctx.rig;
    let tops_of = tops(rig);
    for (index, skin) in rig.skins.iter().enumerate() {
        let subject = Subject::Skin(SkinId::new(index));
        let name = ctx.labels.name(&subject);
        let tops: Vec<NodeId> = skin
            .joints
            .iter()
            .filter_map(|j| rig.joints[j.index()].node)
            .map(|node| tops_of[node.index()])
            .collect();
        let mut distinct = tops.clone();
        distinct.sort_unstable();
        distinct.dedup();
        if distinct.len() > 1
            && let Some(hit) = sink.breach("no-common-root")
        {
            let mut fact = Fact::new(subject.clone(), no_common_root(&name, distinct.len())).evidence(
                "trees the joints lie in",
                distinct.len() as f64,
                Some(1.0),
                Unit::Count,
            );
            for node in distinct {
                fact = fact.related(Subject::Node(node), "root");
            }
            sink.report(hit, fact);
        }
        let drawn = skin.users.iter().any(|node| rig.nodes[node.index()].in_scene);
        let outside: Vec<JointId> = skin
            .joints
            .iter()
            .copied()
            .filter(|j| rig.joints[j.index()].node.is_some_and(|node| !rig.nodes[node.index()].in_scene))
            .collect();
        if drawn
            && !outside.is_empty()
            && let Some(hit) = sink.breach("outside-scene")
        {
            let names = list(outside.iter().map(|j| ctx.name(*j)).collect::<Vec<_>>().into_iter());
            let mut fact = Fact::new(subject, outside_scene(&name, outside.len(), &names)).evidence(
                "joints outside the scene",
                outside.len() as f64,
                Some(0.0),
                Unit::Count,
            );
            for joint in outside.into_iter().take(20) {
                fact = fact.related(Subject::Joint(joint), "member");
            }
            sink.report(hit, fact);
        }
    }
    let roots: Vec<JointId> = ctx.facts.tree().roots().collect();
    if let Some(hit) = sink.judge("several", roots.len() as f64) {
        let names = list(roots.iter().map(|root| ctx.name(*root)).collect::<Vec<_>>().into_iter());
        let mut fact = Fact::new(Subject::Rig, several(roots.len(), &names)).evidence(
            "roots",
            roots.len() as f64,
            hit.limit,
            Unit::Count,
        );
        for root in roots.into_iter().take(20) {
            fact = fact.related(Subject::Joint(root), "root");
        }
        sink.report(hit, fact);
    }
}

/// The topmost ancestor of every node, in one pass from the roots.
fn tops(rig: &Rig) -> Vec<NodeId> {
    let mut tops: Vec<NodeId> = (0..rig.nodes.len()).map(NodeId::new).collect();
    let mut open: Vec<NodeId> =
        tops.iter().copied().filter(|n| rig.nodes[n.index()].parent.is_none()).collect();
    while let Some(node) = open.pop() {
        for child in &rig.nodes[node.index()].children {
            tops[child.index()] = tops[node.index()];
            open.push(*child);
        }
    }
    tops
}

fn undeclared(count: usize, names: &str) -> String {
    format!(
        "the plan has {count} roots and declares none ({names}); list them under roots, or give all but one a parent"
    )
}

fn not_listed(name: &str) -> String {
    format!("{name} is a root, and the plan's roots do not list it")
}

fn listed_but_hung(name: &str, parent: &str) -> String {
    format!("{name} is listed as a root, and hangs from {parent}")
}

fn no_common_root(skin: &str, count: usize) -> String {
    format!("the joints of {skin} lie in {count} separate trees and have no common root")
}

fn outside_scene(skin: &str, count: usize, names: &str) -> String {
    format!("{skin} is drawn in a scene that does not hold {count} of its joints ({names})")
}

fn several(count: usize, names: &str) -> String {
    format!("the skeleton has {count} roots ({names})")
}
