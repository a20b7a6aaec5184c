//! A sided joint without a twin.

use std::collections::{BTreeMap, BTreeSet};

use glam::{DMat3, DQuat, DVec3};
use serde_json::{Map, Value, json};

use super::{ByName, ON_PLANE, SidedPairs, off_plane};
use crate::check::remedy;
use crate::check::wording::count;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::facts::{MirrorPlane, side_token};
use crate::finding::{Applicability, Fact, Fix, PatchOp, Subject, Unit, quaternion_json, round, vector_json};
use crate::model::{JointId, NodeId, Parent, Reads, Rig, Role, Side, Source};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "naming/twin-missing",
    summary: "a sided joint has no twin on the other side",
    why: "a limb that exists on one side only was mostly forgotten when the rig was mirrored: the other side cannot move there",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("twin_missing.md"),
    on: On::BOTH,
    bands: &[Band {
        name: "missing",
        case: "",
        on: On::BOTH,
        bound: Bound::Fact,
        limit: 0.0,
        unit: "",
        severity: Some(Severity::Warning),
    }],
    requires: &[Need::Names, Need::Symmetry],
    reads: Reads::NAMES.union(Reads::JOINTS),
    settings: &[],
    plantable: Plantable::Boolean,
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let Some(hit) = sink.breach("") else { return };
    if !SidedPairs::new(ctx).conventional() {
        return;
    }
    let (facts, names, tree) = (ctx.facts, ctx.facts.names(), ctx.facts.tree());
    let known = ByName::new(ctx);
    let holds = carriers(ctx.rig);
    // Where a neighbour stands in for the twin that is missing, its own name says whose it is.
    let theirs = |joint: JointId, twin: JointId| {
        names.mate(twin).and_then(|mate| known.only(&mate)).is_some_and(|other| other != joint)
    };
    let alone = |joint: JointId| {
        let index = joint.index();
        names.sided(joint).is_some()
            && off_plane(ctx, joint) > ON_PLANE
            && facts.twins().twin(joint).is_none_or(|twin| theirs(joint, twin))
            && !names.mate(joint).is_some_and(|mate| known.has(&mate))
            && !remedy::asymmetric(ctx.rig, joint)
            // Controls and what a hand holds need no counterpart.
            && facts.deforms(joint)
            && !holds[index]
    };
    let lone: BTreeSet<JointId> = (0..ctx.rig.joints.len()).map(JointId::new).filter(|j| alone(*j)).collect();
    // A limb is one finding, on its topmost joint.
    let mut limbs: BTreeMap<JointId, Vec<JointId>> = BTreeMap::new();
    let mut top_of: BTreeMap<JointId, JointId> = BTreeMap::new();
    for joint in tree.order.iter().filter(|joint| lone.contains(joint)) {
        let above = tree.parent[joint.index()].and_then(|up| top_of.get(&up).copied());
        let top = above.unwrap_or(*joint);
        top_of.insert(*joint, top);
        limbs.entry(top).or_default().push(*joint);
    }
    for (top, joints) in limbs {
        let text = message(ctx.name(top), names.sided(top), joints.len() - 1);
        let mut fact = Fact::new(Subject::Joint(top), text).evidence(
            "joints without a twin",
            joints.len() as f64,
            Some(0.0),
            Unit::Count,
        );
        for joint in joints.iter().skip(1).take(50) {
            fact = fact.related(Subject::Joint(*joint), "member");
        }
        sink.report(hit, fact.fix(mirrored(ctx, &joints)));
    }
}

/// Joints that carry a rigid object: by a mesh node below them, or as the plan says.
fn carriers(rig: &Rig) -> Vec<bool> {
    let mut carries: Vec<bool> = rig.joints.iter().map(|joint| joint.role == Some(Role::Carrying)).collect();
    for joint in rig.pieces.iter().filter_map(|piece| piece.carried_by.as_ref().ok()) {
        carries[joint.index()] = true;
    }
    let mut seen = vec![false; rig.nodes.len()];
    for (index, node) in rig.nodes.iter().enumerate() {
        let mut at = (node.mesh.is_some() && node.skin.is_none()).then(|| NodeId::new(index));
        while let Some(up) = at
            && !std::mem::replace(&mut seen[up.index()], true)
        {
            let up = &rig.nodes[up.index()];
            if let Some(joint) = up.joint {
                carries[joint.index()] = true;
                break;
            }
            at = up.parent;
        }
    }
    carries
}

/// Adds the mirror image of a limb.
fn mirrored(ctx: &Context<'_>, joints: &[JointId]) -> Option<Fix> {
    let plane = ctx.facts.mirror()?;
    let names = ctx.facts.names();
    let (applicability, summary) = (Applicability::Review, "add the mirror image".to_owned());
    if ctx.rig.source == Source::Gltf {
        let [joint] = joints else { return None };
        let name = names.mate(*joint)?;
        let node = ctx.rig.joints[joint.index()].node?.0;
        let arguments = json!({"node": node, "name": name, "normal": vector_json(plane.normal),
            "offset": round(plane.offset)});
        return Some(Fix::Repair { applicability, name: "add-twin".into(), arguments, summary });
    }
    let flip = convention(ctx, plane);
    let mut new_names: BTreeMap<JointId, String> = BTreeMap::new();
    let mut patch = Vec::new();
    for joint in joints {
        let this = &ctx.rig.joints[joint.index()];
        let name = names.mate(*joint)?;
        let mut object = Map::new();
        let point = |p: DVec3| vector_json(ctx.rig.frame.point_to_plan(plane.mirror(p)));
        object.insert("name".into(), json!(name));
        object.insert("origin".into(), point(this.origin()));
        if let Some(tip) = this.tip {
            object.insert("tip".into(), point(tip));
        }
        if this.rotation.is_some() {
            let own = DMat3::from_mat4(this.rest);
            let turn =
                DQuat::from_mat3(&(reflection(plane.normal) * own * DMat3::from_diagonal(flip))).normalize();
            object.insert("orientation".into(), quaternion_json(ctx.rig.frame.turn_to_plan(turn)));
        }
        match this.parent {
            Parent::Joint(up) => {
                let twin = ctx.facts.twins().twin(up);
                let own = |joint: JointId| ctx.rig.joints[joint.index()].name.clone();
                // From the new twin of its parent, from the parent's twin, or from the same joint in the middle.
                let parent = new_names.get(&up).cloned().or_else(|| own(twin.unwrap_or(up)))?;
                object.insert("parent".into(), json!(parent));
            }
            Parent::Root => {
                object.insert("parent".into(), Value::Null);
            }
            Parent::Undecided | Parent::Unknown(_) => {}
        }
        new_names.insert(*joint, name);
        patch.push(PatchOp::set("/joints/-", Value::Object(object)));
    }
    patch.extend(parts(ctx.rig, &new_names));
    Some(Fix::Patch { applicability, summary, patch })
}

/// Puts the new joints into parts: into the twin of the part that the limb belongs to, or into a new one. A part whose
/// name says no side is left to its author.
fn parts(rig: &Rig, new_names: &BTreeMap<JointId, String>) -> Vec<PatchOp> {
    let mut patch = Vec::new();
    for part in &rig.parts {
        let Some(name) = side_token(&part.name).and_then(|token| token.swapped(&part.name)) else { continue };
        let joints = part.joints.iter().flatten();
        let joints: Vec<&String> = joints.filter_map(|joint| new_names.get(joint)).collect();
        if joints.is_empty() {
            continue;
        }
        if let Some(at) = rig.parts.iter().position(|other| other.name == name) {
            let path = format!("/parts/{at}/joints/-");
            patch.extend(joints.iter().map(|joint| PatchOp::set(path.clone(), json!(joint))));
            continue;
        }
        let mut object = Map::new();
        object.insert("name".into(), json!(name));
        if let Some(kind) = &part.kind_text {
            object.insert("kind".into(), json!(kind));
        }
        match part.side {
            Some(Side::Left) => object.insert("side".into(), json!("right")),
            Some(Side::Right) => object.insert("side".into(), json!("left")),
            _ => None,
        };
        object.insert("joints".into(), json!(joints));
        if part.starts_at_parent_tip {
            object.insert("starts".into(), json!("at_parent_tip"));
        }
        if part.stylised {
            object.insert("stylised".into(), json!(true));
        }
        patch.push(PatchOp::set("/parts/-", Value::Object(object)));
    }
    patch
}

/// Which axis the rig's twins flip when mirrored (D11): the one that fits most of them best.
fn convention(ctx: &Context<'_>, plane: &MirrorPlane) -> DVec3 {
    let flips =
        [DVec3::new(-1.0, 1.0, 1.0), DVec3::new(1.0, -1.0, 1.0), DVec3::new(1.0, 1.0, -1.0), DVec3::NEG_ONE];
    let frames = &ctx.facts.bind().joints;
    let reflect = reflection(plane.normal);
    let mut votes = [0_usize; 4];
    for (left, right) in &ctx.facts.twins().pairs {
        let (a, b) = (frames[left.index()].basis, frames[right.index()].basis);
        let off = flips.map(|flip| {
            let apart = reflect * a * DMat3::from_diagonal(flip) - b;
            apart.x_axis.length_squared() + apart.y_axis.length_squared() + apart.z_axis.length_squared()
        });
        let best = (0..4).min_by(|x, y| off[*x].total_cmp(&off[*y])).unwrap_or(0);
        votes[best] += 1;
    }
    let most = (0..4).max_by_key(|at| (votes[*at], std::cmp::Reverse(*at))).unwrap_or(0);
    flips[most]
}

fn reflection(n: DVec3) -> DMat3 {
    DMat3::from_cols(DVec3::X - 2.0 * n.x * n, DVec3::Y - 2.0 * n.y * n, DVec3::Z - 2.0 * n.z * n)
}

fn message(name: &str, side: Option<Side>, below: usize) -> String {
    let other = if side == Some(Side::Left) { "right" } else { "left" };
    let more = if below > 0 {
        format!(", nor have {} below it", count(below as u64, "joint", "joints"))
    } else {
        String::new()
    };
    format!("{name} has no twin on the {other}{more}")
}
