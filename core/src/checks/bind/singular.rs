//! Bind matrices that cannot be undone.

use glam::DMat4;
use serde_json::json;

use crate::check::wording::{count, list};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, Subject, Unit};
use crate::model::{JointId, Reads, SkinId};
use crate::report::Severity;

/// How far the last row may be off.
const ROW_TOLERANCE: f64 = 1e-5;
/// Volume per product of lengths, below which a matrix is flat.
const FLAT: f64 = 1e-6;

/// Members listed with a finding.
const LISTED: usize = 32;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "bind/singular",
    summary: "an inverse bind matrix is not invertible, not finite or not affine",
    why: "the joint squashes its skin onto a plane or a line in every pose, and no tool can find out where the joint was when the skin was bound",
    rule: Rule { title: "glTF 2.0", section: "3.7.3.1" },
    page: include_str!("singular.md"),
    on: On::GLTF,
    bands: &[
        Band {
            name: "singular",
            case: "singular",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 0.0,
            unit: "joints",
            severity: Some(Severity::Error),
        },
        Band {
            name: "last-row",
            case: "last-row",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 0.0,
            unit: "joints",
            severity: Some(Severity::Error),
        },
    ],
    requires: &[Need::Joints, Need::BindMatrices],
    reads: Reads::BIND,
    settings: &[],
    plantable: Plantable::Boolean,
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    for (index, skin) in ctx.rig.skins.iter().enumerate() {
        let Some(matrices) = &skin.inverse_bind else { continue };
        let (mut flat, mut bent) = (Vec::new(), Vec::new());
        for (joint, matrix) in skin.joints.iter().zip(matrices) {
            let row = [matrix.x_axis.w, matrix.y_axis.w, matrix.z_axis.w, matrix.w_axis.w - 1.0];
            // The last row first: a matrix that fails there is told by its own words.
            if matrix.is_finite() && row.iter().any(|number| number.abs() > ROW_TOLERANCE) {
                bent.push(*joint);
            } else if !invertible(matrix) {
                flat.push(*joint);
            }
        }
        let skin = SkinId::new(index);
        report(ctx, sink, skin, "singular", &flat);
        report(ctx, sink, skin, "last-row", &bent);
    }
}

fn report(ctx: &Context<'_>, sink: &mut Sink<'_>, skin: SkinId, case: &str, joints: &[JointId]) {
    let Some(hit) = sink.judge(case, joints.len() as f64) else { return };
    let name = ctx.labels.name(&Subject::Skin(skin));
    let names = list(joints.iter().map(|joint| ctx.name(*joint)));
    let text = if case == "singular" {
        flat(&name, joints.len(), &names)
    } else {
        bent(&name, joints.len(), &names)
    };
    let mut fact = Fact::new(Subject::Skin(skin), text)
        .evidence("joints with such a matrix", joints.len() as f64, hit.limit, Unit::Count)
        .fix(Fix::Repair {
            applicability: Applicability::Review,
            name: "recompute-bind-matrices".into(),
            arguments: json!({"skin": skin.0}),
            summary: "compute the inverse bind matrices from the rest pose".into(),
        });
    for joint in joints.iter().take(LISTED) {
        fact = fact.related(Subject::Joint(*joint), "member");
    }
    sink.report(hit, fact);
}

/// The columns span a space: their volume is not nothing against their lengths.
fn invertible(matrix: &DMat4) -> bool {
    let columns = [matrix.x_axis, matrix.y_axis, matrix.z_axis].map(|column| column.truncate());
    let lengths: f64 = columns.iter().map(|column| column.length()).product();
    let volume = columns[0].dot(columns[1].cross(columns[2])).abs();
    matrix.is_finite() && lengths > 0.0 && volume > FLAT * lengths
}

fn flat(skin: &str, joints: usize, names: &str) -> String {
    format!(
        "{} of {skin} a bind matrix that cannot be inverted: {names} (limit 0)",
        count(joints as u64, "joint has", "joints have")
    )
}

fn bent(skin: &str, joints: usize, names: &str) -> String {
    format!(
        "{} of {skin} a bind matrix whose last row is not 0 0 0 1: {names} (limit 0)",
        count(joints as u64, "joint has", "joints have")
    )
}
