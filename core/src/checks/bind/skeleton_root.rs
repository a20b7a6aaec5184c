//! A skeleton member that is no root of its joints.

use serde_json::json;

use crate::check::wording::{count, list};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, Subject, Unit};
use crate::model::{Reads, SkinId};
use crate::report::Severity;

/// Members listed with a finding.
const LISTED: usize = 32;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "bind/skeleton-root",
    summary: "skin.skeleton is no ancestor of all joints",
    why: "it plays no part in the maths, but readers that build their skeleton from it lose the joints outside, and strict ones refuse the file",
    rule: Rule { title: "glTF 2.0", section: "3.7.3.1" },
    page: include_str!("skeleton_root.md"),
    on: On::GLTF,
    bands: &[Band {
        name: "root",
        case: "",
        on: On::GLTF,
        bound: Bound::Above,
        limit: 0.0,
        unit: "joints",
        severity: Some(Severity::Warning),
    }],
    requires: &[Need::Skins],
    reads: Reads::JOINTS,
    settings: &[],
    plantable: Plantable::Boolean,
    stability: Stability::Live,
    since: "1.0.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let rig = ctx.rig;
    for (index, skin) in rig.skins.iter().enumerate() {
        let Some(root) = skin.skeleton else { continue };
        // Nodes at or below the root, marked once: parents are looked up, each node once.
        let mut below: Vec<Option<bool>> = vec![None; rig.nodes.len()];
        below[root.index()] = Some(true);
        let mut path = Vec::new();
        let mut outside = Vec::new();
        for joint in &skin.joints {
            let mut at = rig.joints[joint.index()].node;
            let found = loop {
                let Some(node) = at else { break false };
                if let Some(known) = below[node.index()] {
                    break known;
                }
                path.push(node);
                at = rig.nodes[node.index()].parent;
            };
            path.drain(..).for_each(|node| below[node.index()] = Some(found));
            if !found {
                outside.push(*joint);
            }
        }
        let Some(hit) = sink.judge("", outside.len() as f64) else { continue };
        let id = SkinId::new(index);
        let root = ctx.labels.name(&Subject::Node(root));
        let names = list(outside.iter().map(|joint| ctx.name(*joint)));
        let text =
            message(&ctx.labels.name(&Subject::Skin(id)), &root, outside.len(), skin.joints.len(), &names);
        let mut fact = Fact::new(Subject::Skin(id), text)
            .evidence("joints not below it", outside.len() as f64, hit.limit, Unit::Count)
            .fix(Fix::Repair {
                applicability: Applicability::Safe,
                name: "remove-skeleton".into(),
                arguments: json!({"skin": index}),
                summary: "drop the skeleton member: it plays no part in the maths".into(),
            });
        for joint in outside.iter().take(LISTED) {
            fact = fact.related(Subject::Joint(*joint), "member");
        }
        sink.report(hit, fact);
    }
}

fn message(skin: &str, root: &str, outside: usize, joints: usize, names: &str) -> String {
    format!(
        "the skeleton of {skin} is {root}, and {} of {joints} not below it: {names} (limit 0)",
        count(outside as u64, "joint is", "joints are")
    )
}
