//! A joint in the middle of a limb that moves no skin.

use std::collections::BTreeMap;

use crate::check::wording::{count, list};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Fact, Subject, Unit};
use crate::model::{JointId, Reads, SkinId};
use crate::report::Severity;

/// Members listed with a finding.
const LISTED: usize = 32;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "skin/unmoved-part",
    summary: "a joint between two that move skin moves none",
    why: "the limb bends there and the skin does not: the joint was left out when the skin was painted",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("unmoved_part.md"),
    on: On::GLTF,
    bands: &[
        Band {
            name: "unmoved",
            case: "unmoved",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 0.0,
            unit: "joints",
            severity: Some(Severity::Note),
        },
        Band {
            name: "twin",
            case: "twin",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 0.0,
            unit: "vertices",
            severity: Some(Severity::Warning),
        },
    ],
    requires: &[Need::Joints, Need::Weights],
    reads: Reads::WEIGHTS.union(Reads::JOINTS),
    settings: &[],
    plantable: Plantable::Boolean,
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let (tree, weights) = (ctx.facts.tree(), ctx.facts.weights());
    let mut quiet: BTreeMap<SkinId, Vec<JointId>> = BTreeMap::new();
    for (index, load) in weights.loads.iter().enumerate() {
        let joint = JointId::new(index);
        let above = tree.parent[index].is_some_and(|up| ctx.facts.deforms(up));
        let below = tree.children[index].iter().any(|child| ctx.facts.deforms(*child));
        if load.vertices > 0 || !above || !below {
            continue;
        }
        let twin = ctx.facts.twins().of[index].filter(|twin| *twin != joint && ctx.facts.deforms(*twin));
        if let Some(twin) = twin
            && let Some(hit) = sink.judge("twin", weights.load(twin).vertices as f64)
        {
            let vertices = weights.load(twin).vertices;
            let fact = Fact::new(Subject::Joint(joint), lame(ctx.name(joint), ctx.name(twin), vertices))
                .evidence("vertices that the twin moves", vertices as f64, hit.limit, Unit::Count)
                .identified_by(Subject::Joint(twin), "twin");
            sink.report(hit, fact);
            continue;
        }
        let skin = ctx.facts.bind().slot[index].map(|(skin, _)| skin);
        let listed = || ctx.rig.skins.iter().position(|skin| skin.joints.contains(&joint)).map(SkinId::new);
        if let Some(skin) = skin.or_else(listed) {
            quiet.entry(skin).or_default().push(joint);
        }
    }
    for (skin, joints) in quiet {
        let Some(hit) = sink.judge("unmoved", joints.len() as f64) else { continue };
        let names = list(joints.iter().map(|joint| ctx.name(*joint)));
        let text = unmoved(&ctx.labels.name(&Subject::Skin(skin)), joints.len(), &names);
        let mut fact = Fact::new(Subject::Skin(skin), text).evidence(
            "joints without skin between joints with skin",
            joints.len() as f64,
            hit.limit,
            Unit::Count,
        );
        for joint in joints.iter().take(LISTED) {
            fact = fact.related(Subject::Joint(*joint), "member");
        }
        sink.report(hit, fact);
    }
}

fn lame(joint: &str, twin: &str, vertices: u64) -> String {
    format!("{joint} moves no skin, and its twin {twin} moves {}", count(vertices, "vertex", "vertices"))
}

fn unmoved(skin: &str, joints: usize, names: &str) -> String {
    format!(
        "{} of {skin} no skin between joints that do: {names} (limit 0)",
        count(joints as u64, "joint moves", "joints move")
    )
}
