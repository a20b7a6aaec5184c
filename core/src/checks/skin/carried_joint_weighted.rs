//! A joint that carries something and pulls skin as well.

use std::collections::BTreeMap;

use serde_json::json;

use crate::check::wording::count;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, PatchOp, Subject, Unit};
use crate::model::{JointId, Reads, Role, Source};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "skin/carried-joint-weighted",
    summary: "a joint that only carries something moves skin",
    why: "when the carried object moves on its own, the skin around it is dragged along",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("carried_joint_weighted.md"),
    on: On::BOTH,
    bands: &[
        Band {
            name: "deforming",
            case: "deforming",
            on: On::PLAN,
            bound: Bound::Fact,
            limit: 0.0,
            unit: "",
            severity: Some(Severity::Error),
        },
        Band {
            name: "weighted",
            case: "weighted",
            on: On::PLAN,
            bound: Bound::Above,
            limit: 0.0,
            unit: "vertices",
            severity: Some(Severity::Error),
        },
        Band {
            name: "gltf",
            case: "gltf",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 0.0,
            unit: "vertices",
            severity: Some(Severity::Note),
        },
    ],
    requires: &[Need::Pieces],
    reads: Reads::JOINTS.union(Reads::WEIGHTS).union(Reads::PARTS),
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
    let rig = ctx.rig;
    let mut carried: BTreeMap<JointId, Vec<u32>> = BTreeMap::new();
    for (index, piece) in rig.pieces.iter().enumerate() {
        if let Ok(joint) = piece.carried_by {
            carried.entry(joint).or_default().push(index as u32);
        }
    }
    for (joint, pieces) in &carried {
        if rig.joints[joint.index()].role != Some(Role::Deforming) {
            continue;
        }
        let Some(hit) = sink.breach("deforming") else { continue };
        let first = &rig.pieces[pieces[0] as usize].name;
        let mut fact =
            Fact::new(Subject::Joint(*joint), deforming(ctx.name(*joint), first)).fix(Fix::Patch {
                applicability: Applicability::Safe,
                summary: "give it the role carrying".into(),
                patch: vec![PatchOp::set(format!("/joints/{}/role", joint.0), json!("carrying"))],
            });
        for piece in pieces {
            fact = fact.related(Subject::Piece(*piece), "piece");
        }
        sink.report(hit, fact);
    }
    let Some(body) = ctx.facts.body() else { return };
    let mut moved: BTreeMap<&str, u64> = BTreeMap::new();
    for (joint, load) in body.rig().joints.iter().zip(&body.weights().loads) {
        if let Some(name) = &joint.name {
            *moved.entry(name).or_default() += load.vertices;
        }
    }
    for (index, joint) in rig.joints.iter().enumerate() {
        let this = JointId::new(index);
        let vertices = joint.name.as_deref().and_then(|name| moved.get(name)).copied().unwrap_or(0);
        if joint.role == Some(Role::Carrying)
            && let Some(hit) = sink.judge("weighted", vertices as f64)
        {
            let fact = Fact::new(Subject::Joint(this), weighted(ctx.name(this), vertices)).evidence(
                "vertices with weight",
                vertices as f64,
                hit.limit,
                Unit::Count,
            );
            sink.report(hit, fact);
        }
    }
}

fn gltf(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let rig = ctx.rig;
    for (index, joint) in rig.joints.iter().enumerate() {
        let Some(node) = joint.node else { continue };
        let this = JointId::new(index);
        let piece = rig.nodes[node.index()].children.iter().find(|child| {
            let child = &rig.nodes[child.index()];
            child.mesh.is_some() && child.skin.is_none() && child.joint.is_none()
        });
        let vertices = ctx.facts.weights().load(this).vertices;
        if let Some(piece) = piece
            && let Some(hit) = sink.judge("gltf", vertices as f64)
        {
            let text = both(ctx.name(this), &ctx.labels.name(&Subject::Node(*piece)), vertices);
            let fact = Fact::new(Subject::Joint(this), text)
                .evidence("vertices with weight", vertices as f64, hit.limit, Unit::Count)
                .related(Subject::Node(*piece), "piece");
            sink.report(hit, fact);
        }
    }
}

fn deforming(name: &str, piece: &str) -> String {
    format!("{name} carries {piece} and is left deforming")
}

fn weighted(name: &str, vertices: u64) -> String {
    format!(
        "{name} only carries, and the body gives it weight on {} (limit 0)",
        count(vertices, "vertex", "vertices")
    )
}

fn both(name: &str, piece: &str, vertices: u64) -> String {
    format!("{name} carries {piece} and moves {} of skin", count(vertices, "vertex", "vertices"))
}
