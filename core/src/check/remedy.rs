//! Fixes that several checks offer, built once: renaming with every reference, and setting a joint's numbers.

use std::collections::BTreeMap;

use glam::{DQuat, DVec3};
use serde_json::{Value, json};

use super::{Context, WaiverPlace, WaiverUse};
use crate::facts::Facts;
use crate::finding::{Applicability, Fix, PatchOp, quaternion_json, vector_json};
use crate::model::{JointId, Parent, PartId, Rig, Source};

/// Keeps of the list that holds a waiver only those that still apply, so that the fixes of several of them are one and
/// the same. A waiver outside the input cannot be removed from it.
pub(crate) fn drop_waivers(ctx: &Context<'_>, index: usize) -> Option<Fix> {
    let list = |one: &WaiverUse| match &one.waiver.place {
        WaiverPlace::Inside { list, .. } => Some(list.clone()),
        WaiverPlace::Beside | WaiverPlace::Shared => None,
    };
    let at = list(&ctx.given.waivers[index])?;
    let here = ctx.given.waivers.iter().filter(|one| list(one).as_ref() == Some(&at));
    let (gone, kept): (Vec<_>, Vec<_>) = here.partition(|one| one.expired || (!one.matched && one.judged));
    let kept: Vec<&Value> = kept.into_iter().map(|one| one.waiver.written()).collect();
    let summary = match gone.len() {
        1 => "remove the waiver".to_owned(),
        count => format!("remove the {count} waivers that have expired or cover nothing"),
    };
    let applicability = Applicability::Safe;
    if ctx.rig.source == Source::Plan && at == "/waivers" {
        return Some(Fix::Patch { applicability, summary, patch: vec![PatchOp::set(at, json!(kept))] });
    }
    let arguments = json!({"pointer": at, "waivers": kept});
    Some(Fix::Repair { applicability, name: "set-waivers".into(), arguments, summary })
}

/// Renames joints: in a plan with everything that refers to them, in a glTF at the nodes.
pub(crate) fn rename(
    rig: &Rig,
    renames: &[(JointId, String)],
    applicability: Applicability,
    summary: String,
) -> Fix {
    let by_joint: BTreeMap<JointId, &String> = renames.iter().map(|(joint, name)| (*joint, name)).collect();
    let new_name = |joint: JointId| by_joint.get(&joint).copied();
    if rig.source == Source::Gltf {
        let list: Vec<Value> = renames
            .iter()
            .filter_map(|(joint, name)| {
                Some(json!({"node": rig.joints[joint.index()].node?.0, "name": name}))
            })
            .collect();
        return Fix::Repair {
            applicability,
            name: "rename".into(),
            arguments: json!({"nodes": list}),
            summary,
        };
    }
    let mut patch = Vec::new();
    for (index, joint) in rig.joints.iter().enumerate() {
        if let Some(name) = new_name(JointId::new(index)) {
            patch.push(PatchOp::set(format!("/joints/{index}/name"), json!(name)));
        }
        if let Parent::Joint(parent) = joint.parent
            && let Some(name) = new_name(parent)
        {
            patch.push(PatchOp::set(format!("/joints/{index}/parent"), json!(name)));
        }
    }
    let mut refer = |list: &[Result<JointId, String>], path: &str| {
        for (index, member) in list.iter().enumerate() {
            if let Ok(joint) = member
                && let Some(name) = new_name(*joint)
            {
                patch.push(PatchOp {
                    op: "replace".into(),
                    path: format!("{path}/{index}"),
                    value: Some(json!(name)),
                });
            }
        }
    };
    for (index, part) in rig.parts.iter().enumerate() {
        refer(&part.joints, &format!("/parts/{index}/joints"));
    }
    for (index, group) in rig.groups.iter().enumerate() {
        refer(&group.joints, &format!("/groups/{index}/joints"));
    }
    for (index, piece) in rig.pieces.iter().enumerate() {
        if let Ok(joint) = piece.carried_by
            && let Some(name) = new_name(joint)
        {
            patch.push(PatchOp::set(format!("/pieces/{index}/carried_by"), json!(name)));
        }
    }
    for (index, root) in rig.declared_roots.iter().flatten().enumerate() {
        let renamed = renames
            .iter()
            .find(|(joint, _)| rig.joints[joint.index()].name.as_deref() == Some(root.as_str()));
        if let Some((_, name)) = renamed {
            patch.push(PatchOp {
                op: "replace".into(),
                path: format!("/roots/{index}"),
                value: Some(json!(name)),
            });
        }
    }
    Fix::Patch { applicability, summary, patch }
}

/// Entries of a list of vertices in a fix.
pub(crate) const MOST_LISTED: usize = 4_096;

/// The vertices of a fix: one by one, or, where they are many, runs as `[first, last]`. What is beyond the cap is left to
/// the next pass of a repair.
pub(crate) fn vertices(mut list: Vec<u32>) -> Value {
    list.sort_unstable();
    list.dedup();
    if list.len() <= MOST_LISTED {
        return json!(list);
    }
    let runs = list.chunk_by(|a, b| a + 1 == *b).take(MOST_LISTED);
    json!(runs.map(|run| [run[0], run[run.len() - 1]]).collect::<Vec<_>>())
}

/// Groups of vertices of a fix, as many as can be listed.
pub(crate) fn groups(list: Vec<Vec<Value>>) -> Value {
    let mut total = 0;
    let fit = list.into_iter().take_while(|group| {
        total += group.len();
        total <= MOST_LISTED
    });
    json!(fit.collect::<Vec<_>>())
}

/// A patch operation that sets a plan joint's world orientation (rig frame).
pub(crate) fn set_orientation(rig: &Rig, joint: JointId, turn: DQuat) -> PatchOp {
    let turn = rig.frame.turn_to_plan(turn);
    PatchOp::set(format!("/joints/{}/orientation", joint.0), quaternion_json(turn))
}

/// A patch operation that sets a plan joint's origin (rig frame, metres).
pub(crate) fn set_origin(rig: &Rig, joint: JointId, point: DVec3) -> PatchOp {
    PatchOp::set(format!("/joints/{}/origin", joint.0), vector_json(rig.frame.point_to_plan(point)))
}

/// A patch operation that sets a plan joint's tip (rig frame, metres).
pub(crate) fn set_tip(rig: &Rig, joint: JointId, point: DVec3) -> PatchOp {
    PatchOp::set(format!("/joints/{}/tip", joint.0), vector_json(rig.frame.point_to_plan(point)))
}

/// The part of a plan's joint.
pub(crate) fn part_of(rig: &Rig, joint: JointId) -> Option<PartId> {
    rig.joints[joint.index()].part
}

/// Whether a joint's part is declared different from its twin.
pub(crate) fn asymmetric(rig: &Rig, joint: JointId) -> bool {
    part_of(rig, joint).is_some_and(|part| rig.parts[part.index()].asymmetric)
}

/// Moves joints: in a plan with the parents' tips that met them, in a glTF with the children and the skin left where
/// they are.
pub(crate) fn move_origins(facts: &Facts<'_>, moves: &[(JointId, DVec3)], summary: String) -> Fix {
    let rig = facts.rig();
    let applicability = Applicability::Review;
    if rig.source == Source::Gltf {
        let list: Vec<Value> = moves
            .iter()
            .filter_map(|(joint, to)| {
                Some(json!({"node": rig.joints[joint.index()].node?.0, "to": vector_json(*to)}))
            })
            .collect();
        let arguments = json!({"nodes": list});
        return Fix::Repair { applicability, name: "move-origin".into(), arguments, summary };
    }
    let mut patch = Vec::new();
    for (joint, to) in moves {
        patch.push(set_origin(rig, *joint, *to));
        if let Some(up) = facts.tree().parent[joint.index()]
            && let Some(tip) = rig.joints[up.index()].tip
            && tip.distance(facts.origin(*joint)) < 1e-3 * facts.s()
        {
            patch.push(set_tip(rig, up, *to));
        }
    }
    Fix::Patch { applicability, summary, patch }
}
