//! A rotation that is no rotation.

use serde_json::json;

use crate::check::remedy;
use crate::check::wording::short;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, Subject, Unit};
use crate::model::{JointId, Reads, Source};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "orientation/not-rigid",
    summary: "a joint's rotation is not of unit length",
    why: "a quaternion off unit length scales or shears what it turns, and every program mends it in its own way",
    rule: Rule { title: "glTF 2.0", section: "3.5.3" },
    page: include_str!("not_rigid.md"),
    on: On::BOTH,
    bands: &[Band {
        name: "unit",
        case: "",
        on: On::BOTH,
        bound: Bound::Above,
        limit: 1e-4,
        unit: "1",
        severity: Some(Severity::Error),
    }],
    requires: &[Need::Joints, Need::Orientations],
    reads: Reads::JOINTS,
    settings: &[],
    plantable: Plantable::Range { most: 0.5 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    for (index, joint) in ctx.rig.joints.iter().enumerate() {
        let Some(rotation) = joint.rotation else { continue };
        let norm = rotation.iter().map(|c| c * c).sum::<f64>().sqrt();
        let off = if norm.is_finite() { (norm - 1.0).abs() } else { f64::INFINITY };
        let Some(hit) = sink.judge("", off) else { continue };
        let this = JointId::new(index);
        let fix = (norm.is_finite() && norm > 1e-6).then(|| match (ctx.rig.source, joint.node) {
            (Source::Gltf, Some(node)) => Fix::Repair {
                applicability: Applicability::Safe,
                name: "normalise-rotation".into(),
                arguments: json!({"node": node.0}),
                summary: "scale the quaternion to unit length".into(),
            },
            _ => Fix::Patch {
                applicability: Applicability::Safe,
                summary: "scale the quaternion to unit length".into(),
                patch: vec![remedy::set_orientation(
                    ctx.rig,
                    this,
                    glam::DQuat::from_mat4(&joint.rest).normalize(),
                )],
            },
        });
        let fact = Fact::new(Subject::Joint(this), message(ctx.name(this), norm, hit.bound()))
            .evidence("length of the quaternion off one", off, hit.limit, Unit::One)
            .fix(fix);
        sink.report(hit, fact);
    }
}

fn message(name: &str, norm: f64, limit: f64) -> String {
    if norm.is_finite() {
        // Three digits would not show what is off by a ten-thousandth.
        let off = short((norm - 1.0).abs());
        let way = if norm > 1.0 { "above" } else { "below" };
        format!("the rotation of {name} has a length {off} {way} 1 (limit ±{})", short(limit))
    } else {
        format!("the rotation of {name} holds a value that is not a number (limit ±{})", short(limit))
    }
}

#[cfg(test)]
mod tests {
    use super::message;

    #[test]
    fn a_small_breach_is_seen_in_the_message() {
        let text = message("trunk", 0.9998, 1e-4);
        assert_eq!(text, "the rotation of trunk has a length 0.0002 below 1 (limit ±0.0001)");
    }
}
