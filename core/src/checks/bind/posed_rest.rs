//! A rest pose that is not the bind pose.

use glam::{DMat3, DMat4, DQuat, DVec3};
use serde_json::json;

use crate::check::wording::{count, deg};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, Subject, Unit};
use crate::model::{JointId, Reads, SkinId};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "bind/posed-rest",
    summary: "the rest pose is not the bind pose",
    why: "legal and common, but everything that starts from the rest pose (retargeting, physics, a new bind) starts from a posed character",
    rule: Rule { title: "glTF 2.0", section: "3.7.3.1" },
    page: include_str!("posed_rest.md"),
    on: On::GLTF,
    bands: &[
        Band {
            name: "turned",
            case: "turned",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 1.0,
            unit: "deg",
            severity: Some(Severity::Note),
        },
        Band {
            name: "moved",
            case: "moved",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 5e-3,
            unit: "S",
            severity: Some(Severity::Note),
        },
    ],
    requires: &[Need::Joints, Need::BindMatrices],
    reads: Reads::JOINTS.union(Reads::BIND),
    settings: &[],
    plantable: Plantable::Range { most: 90.0 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

struct Posed {
    joint: JointId,
    degrees: f64,
    /// Offset from the parent, changed by this share of S.
    moved: f64,
}

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let bind = ctx.facts.bind();
    for index in 0..ctx.rig.skins.len() {
        let skin = SkinId::new(index);
        let posed: Vec<Posed> = (0..ctx.rig.joints.len())
            .map(JointId::new)
            .filter(|joint| bind.slot[joint.index()].is_some_and(|(of, _)| of == skin))
            .filter_map(|joint| measure(ctx, joint))
            .collect();
        let Some(most) = posed.iter().max_by(|a, b| a.degrees.total_cmp(&b.degrees)) else { continue };
        let moved: Vec<&Posed> =
            posed.iter().filter(|p| p.moved > sink.limit("moved").unwrap_or(f64::MAX)).collect();
        let farthest = moved.iter().map(|p| p.moved).fold(0.0, f64::max);
        let name = ctx.labels.name(&Subject::Skin(skin));
        let turned_limit = sink.limit("turned").unwrap_or(f64::MAX);
        let turned = posed.iter().filter(|p| p.degrees > turned_limit).count();
        let (hit, text) = if let Some(hit) = sink.judge("turned", most.degrees) {
            (hit, message(&name, turned, ctx.name(most.joint), most.degrees, moved.len(), hit.bound()))
        } else if let Some(hit) = sink.judge("moved", farthest) {
            (hit, only_moved(&name, moved.len(), hit.bound()))
        } else {
            continue;
        };
        let fact = Fact::new(Subject::Skin(skin), text)
            .evidence(
                "largest turn from bind",
                most.degrees,
                Some(turned_limit).filter(|l| l.is_finite() && *l < 1e9),
                Unit::Degree,
            )
            .evidence("joints turned", turned as f64, None, Unit::Count)
            .evidence("joints moved", moved.len() as f64, None, Unit::Count)
            .related(Subject::Joint(most.joint), "most turned")
            .fix(Fix::Repair {
                applicability: Applicability::Review,
                name: "restore-rest".into(),
                arguments: json!({"skin": skin.0}),
                summary: "put the joints back into the bind pose".into(),
            });
        sink.report(hit, fact);
    }
}

/// How far a joint is from bind, against its parent in the joint set.
fn measure(ctx: &Context<'_>, joint: JointId) -> Option<Posed> {
    let frames = &ctx.facts.bind().joints;
    let at_bind = |j: JointId| {
        let frame = &frames[j.index()];
        frame.from_matrix.then(|| {
            let basis = DMat3::from_cols(
                frame.basis.x_axis * frame.scale.x,
                frame.basis.y_axis * frame.scale.y,
                frame.basis.z_axis * frame.scale.z,
            );
            DMat4::from_mat3_translation(basis, frame.origin)
        })
    };
    let rest = |j: JointId| ctx.rig.joints[j.index()].rest;
    let (bind, now, unit) = match ctx.facts.tree().parent[joint.index()] {
        Some(up) if frames[up.index()].from_matrix => {
            let (bind_up, rest_up) = (at_bind(up)?, rest(up));
            (
                inverse(bind_up)? * at_bind(joint)?,
                inverse(rest_up)? * rest(joint),
                frames[up.index()].scale.max_element(),
            )
        }
        _ => (at_bind(joint)?, rest(joint), 1.0),
    };
    let degrees = rotation(bind)?.angle_between(rotation(now)?).to_degrees();
    let moved = bind.w_axis.truncate().distance(now.w_axis.truncate()) * unit / ctx.facts.s();
    (degrees.is_finite() && moved.is_finite()).then_some(Posed { joint, degrees, moved })
}

fn inverse(matrix: DMat4) -> Option<DMat4> {
    let inverse = matrix.inverse();
    (matrix.determinant() != 0.0 && inverse.is_finite()).then_some(inverse)
}

fn rotation(matrix: DMat4) -> Option<DQuat> {
    let columns = [matrix.x_axis, matrix.y_axis, matrix.z_axis].map(|c| c.truncate().try_normalize());
    let [Some(x), Some(y), Some(z)] = columns else { return None };
    let basis = DMat3::from_cols(x, y, z);
    (basis.determinant() > 0.5)
        .then(|| DQuat::from_mat3(&basis).normalize())
        .filter(|q| DVec3::from_slice(&q.to_array()).is_finite())
}

fn message(skin: &str, turned: usize, most: &str, degrees: f64, moved: usize, limit: f64) -> String {
    let also = if moved > 0 {
        format!(", with {} moved", count(moved as u64, "joint", "joints"))
    } else {
        String::new()
    };
    format!(
        "{} of {skin} turned at rest against bind, {most} most by {}{also} (limit {})",
        count(turned as u64, "joint", "joints"),
        deg(degrees),
        deg(limit)
    )
}

fn only_moved(skin: &str, moved: usize, limit: f64) -> String {
    format!(
        "{} of {skin} moved at rest against bind (limit {} % of S)",
        count(moved as u64, "joint", "joints"),
        crate::check::wording::short(limit * 100.0)
    )
}
