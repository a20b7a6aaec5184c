//! Bind matrices that stretch, mirror or shear, and joints that rest scaled.

use std::collections::BTreeMap;

use glam::DVec3;
use serde_json::json;

use crate::check::wording::{count, list, short};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::facts::BindFrame;
use crate::finding::{Applicability, Fact, Fix, Subject, Unit};
use crate::model::{JointId, Local, Parent, Reads, SkinId};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "orientation/scale",
    summary: "a joint stretches, mirrors or shears what it moves",
    why: "below a stretched or mirrored joint a rotation shears the skin, and programs disagree about how",
    rule: Rule { title: "glTF 2.0", section: "3.5.3" },
    page: include_str!("scale.md"),
    on: On::GLTF,
    bands: &[
        Band {
            name: "bind",
            case: "bind",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 0.01,
            unit: "1",
            severity: Some(Severity::Error),
        },
        Band {
            name: "rest",
            case: "rest",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 0.01,
            unit: "1",
            severity: Some(Severity::Note),
        },
    ],
    requires: &[Need::Joints],
    reads: Reads::JOINTS.union(Reads::BIND),
    settings: &[],
    plantable: Plantable::Range { most: 1.0 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

/// A scale this small hides what it scales.
const HIDDEN: f64 = 0.01;

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    bind(ctx, sink);
    rest(ctx, sink);
}

/// How far the matrix is from a rotation with one uniform factor, and in which way.
fn distortion(frame: &BindFrame) -> (f64, &'static str) {
    if !(frame.scale.is_finite() && frame.scale.min_element() > 0.0) {
        // A matrix without inverse is another check's finding.
        return (0.0, "");
    }
    if frame.basis.determinant() < 0.0 {
        return (2.0, "mirrored");
    }
    let stretch = frame.scale.max_element() / frame.scale.min_element() - 1.0;
    let axes = [frame.basis.x_axis, frame.basis.y_axis, frame.basis.z_axis];
    let shear = (0..3).map(|at| axes[at].dot(axes[(at + 1) % 3]).abs()).fold(0.0, f64::max);
    if shear > stretch { (shear, "sheared") } else { (stretch, "stretched") }
}

fn bind(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let facts = ctx.facts;
    let Some(limit) = sink.limit("bind") else { return };
    let mut by_skin: BTreeMap<SkinId, Vec<(JointId, f64, &str)>> = BTreeMap::new();
    for (index, frame) in facts.bind().joints.iter().enumerate() {
        let (measure, how) = distortion(frame);
        if frame.from_matrix
            && measure > limit
            && let Some((skin, _)) = facts.bind().slot[index]
        {
            by_skin.entry(skin).or_default().push((JointId::new(index), measure, how));
        }
    }
    for (skin, mut joints) in by_skin {
        joints.sort_by(|a, b| b.1.total_cmp(&a.1).then_with(|| ctx.name(a.0).cmp(ctx.name(b.0))));
        let (worst, measure, how) = joints[0];
        let Some(hit) = sink.judge("bind", measure) else { continue };
        let subject = if joints.len() == 1 { Subject::Joint(worst) } else { Subject::Skin(skin) };
        let text = bound(ctx.name(worst), joints.len(), measure, how, hit.bound());
        let mut fact = Fact::new(subject, text).evidence(
            match how {
                "sheared" => "largest cosine between two axes of the bind matrix",
                "mirrored" => "bind matrix mirrored (2)",
                _ => "longest axis over shortest of the bind matrix, less one",
            },
            measure,
            hit.limit,
            Unit::One,
        );
        for (joint, _, _) in joints.iter().take(50) {
            fact = fact.related(Subject::Joint(*joint), "member");
        }
        let nodes = joints.iter().map(|(joint, _, _)| *joint).collect::<Vec<_>>();
        sink.report(hit, fact.fix(bind_anew(ctx, skin, &nodes)));
    }
}

/// Local scales of the rest pose. A uniform one on a root is the asset's common factor.
fn rest(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let mut scaled: Vec<(JointId, f64, DVec3)> = Vec::new();
    let mut hidden = 0_usize;
    for (index, joint) in ctx.rig.joints.iter().enumerate() {
        let Some(node) = joint.node else { continue };
        let scale = match ctx.rig.nodes[node.index()].local {
            Local::Trs { scale, .. } => scale,
            Local::Matrix(m) => DVec3::new(m.x_axis.length(), m.y_axis.length(), m.z_axis.length()),
        };
        let off = (scale - DVec3::ONE).abs().max_element();
        let uniform = (scale.max_element() - scale.min_element()).abs() <= 1e-4 * scale.max_element().abs();
        if !scale.is_finite() || (joint.parent == Parent::Root && uniform && scale.x > HIDDEN) {
            continue;
        }
        hidden += usize::from(scale.abs().max_element() < HIDDEN);
        scaled.push((JointId::new(index), off, scale));
    }
    let everything = hidden > 0 && hidden == ctx.rig.joints.len();
    scaled.retain(|(_, off, _)| sink.judge("rest", *off).is_some());
    scaled.sort_by(|a, b| b.1.total_cmp(&a.1).then_with(|| ctx.name(a.0).cmp(ctx.name(b.0))));
    let Some((_, worst, scale)) = scaled.first().copied() else { return };
    let Some(hit) = sink.judge("rest", worst) else { return };
    let names = list(scaled.iter().map(|(joint, _, _)| ctx.name(*joint)));
    let text = rests(&names, scaled.len(), scale, hit.bound(), everything);
    let mut fact = Fact::new(Subject::Rig, text)
        .evidence("largest local scale off one", worst, hit.limit, Unit::One)
        .evidence("joints", scaled.len() as f64, None, Unit::Count);
    for (joint, _, _) in scaled.iter().take(50) {
        fact = fact.related(Subject::Joint(*joint), "member");
    }
    // What is hidden on purpose has no length to bake, and only one factor for all axes can go into what hangs below.
    let bakes =
        |s: &DVec3| s.min_element() > HIDDEN && s.max_element() - s.min_element() <= 1e-6 * s.max_element();
    let placed = |joint: &JointId| {
        let node = ctx.rig.joints[joint.index()].node.map(|node| &ctx.rig.nodes[node.index()]);
        node.is_some_and(|node| matches!(node.local, Local::Trs { .. }))
    };
    let nodes: Vec<JointId> =
        scaled.iter().filter(|(joint, _, s)| bakes(s) && placed(joint)).map(|(joint, _, _)| *joint).collect();
    sink.report(hit, if nodes.is_empty() { fact } else { fact.fix(bake(ctx, &nodes)) });
}

/// The rest pose says how the joint lies without the distortion, unless it is distorted itself.
fn bind_anew(ctx: &Context<'_>, skin: SkinId, joints: &[JointId]) -> Option<Fix> {
    let sound = |m: &glam::DMat4| {
        let axes = [m.x_axis, m.y_axis, m.z_axis].map(|axis| axis.truncate());
        let lengths = axes.map(DVec3::length);
        let (least, most) =
            (lengths.iter().copied().fold(f64::MAX, f64::min), lengths.iter().copied().fold(0.0, f64::max));
        let square = (0..3).all(|at| axes[at].dot(axes[(at + 1) % 3]).abs() <= 1e-3 * most * most);
        square && most - least <= 1e-3 * most && m.determinant() > 0.0
    };
    if !joints.iter().all(|joint| sound(&ctx.rig.joints[joint.index()].rest)) {
        return None;
    }
    let nodes: Option<Vec<u32>> =
        joints.iter().map(|joint| Some(ctx.rig.joints[joint.index()].node?.0)).collect();
    Some(Fix::Repair {
        applicability: Applicability::Review,
        name: "recompute-bind-matrices".into(),
        arguments: json!({"skin": skin.0, "nodes": nodes?}),
        summary: "bind these joints anew in the rest pose, which is not distorted".into(),
    })
}

fn bake(ctx: &Context<'_>, joints: &[JointId]) -> Fix {
    let nodes: Vec<u32> =
        joints.iter().filter_map(|joint| Some(ctx.rig.joints[joint.index()].node?.0)).collect();
    Fix::Repair {
        applicability: Applicability::Review,
        name: "bake-scale".into(),
        arguments: json!({"nodes": nodes}),
        summary: "bake the scale into what hangs below".into(),
    }
}

fn bound(name: &str, joints: usize, measure: f64, how: &str, limit: f64) -> String {
    let more = if joints > 1 {
        format!(", with {}", count(joints as u64 - 1, "more joint", "more joints"))
    } else {
        String::new()
    };
    let by = if how == "mirrored" { String::new() } else { format!(" by {} %", short(measure * 100.0)) };
    format!("the bind matrix of {name} is {how}{by}{more} (limit {} %)", short(limit * 100.0))
}

fn rests(names: &str, joints: usize, worst: DVec3, limit: f64, everything: bool) -> String {
    if everything {
        return "the rest pose hides the model: every joint rests with a scale of zero (limit 1 %)"
            .to_owned();
    }
    let scale = if (worst.max_element() - worst.min_element()).abs() < 1e-6 {
        short(worst.x)
    } else {
        format!("{}, {}, {}", short(worst.x), short(worst.y), short(worst.z))
    };
    let (verb, most) = if joints == 1 { ("rests", "by") } else { ("rest", "at most by") };
    format!("{names} {verb} scaled, {most} {scale} (limit {} %)", short(limit * 100.0))
}
