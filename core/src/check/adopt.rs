//! Fixes that take a parent from the suggester.

use serde_json::json;

use crate::finding::{Applicability, Fix, PatchOp};
use crate::model::{JointId, Source};
use crate::parenting::Proposal;

use super::Context;

/// Hangs a joint that has no parent, or whose parents form a loop, where the suggester would hang it.
///
/// For structure/unparented: `fact.fix(adopt(ctx, joint))`.
pub(crate) fn adopt(ctx: &Context<'_>, joint: JointId) -> Option<Fix> {
    let proposal = ctx.facts.proposals().iter().find(|proposal| proposal.joint == joint)?;
    Some(hang(ctx, std::slice::from_ref(proposal)))
}

/// A patch (or, for a glTF, a repair) that sets the parents as proposed.
pub(crate) fn hang(ctx: &Context<'_>, proposals: &[Proposal]) -> Fix {
    let name = |joint: Option<JointId>| joint.map(|joint| ctx.name(joint).to_owned());
    let summary = match proposals {
        [one] => match name(one.parent) {
            Some(parent) => format!(
                "hang {} from {parent} (probability {:.0} %)",
                ctx.name(one.joint),
                one.probability * 100.0
            ),
            None => {
                format!("make {} a root (probability {:.0} %)", ctx.name(one.joint), one.probability * 100.0)
            }
        },
        list => format!("hang {} joints from their likeliest parents", list.len()),
    };
    let applicability = Applicability::Review;
    if ctx.rig.source == Source::Gltf {
        let node = |joint: JointId| ctx.rig.joints[joint.index()].node.map(|node| node.0);
        let list: Vec<_> = proposals
            .iter()
            .map(|one| json!({"node": node(one.joint), "parent": one.parent.and_then(node)}))
            .collect();
        return Fix::Repair {
            applicability,
            name: "reparent".into(),
            arguments: json!({ "nodes": list }),
            summary,
        };
    }
    let patch = proposals
        .iter()
        .map(|one| PatchOp::set(format!("/joints/{}/parent", one.joint.0), json!(name(one.parent))))
        .collect();
    Fix::Patch { applicability, summary, patch }
}
