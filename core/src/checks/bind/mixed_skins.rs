//! One joint bound in two places.

use std::collections::BTreeMap;

use glam::{DMat3, DMat4, DQuat, DVec3};

use crate::check::wording::{count, deg, length, list as names};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Fact, Subject, Unit};
use crate::model::{JointId, Reads, SkinId};
use crate::report::Severity;

/// Members listed with a finding.
const LISTED: usize = 32;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "bind/mixed-skins",
    summary: "a joint's bind transform differs between skins",
    why: "each skin moves about its own idea of where the joint was: layers that touch at rest slide through one another as soon as it turns",
    rule: Rule { title: "glTF 2.0", section: "3.7.3.1" },
    page: include_str!("mixed_skins.md"),
    on: On::GLTF,
    bands: &[
        Band {
            name: "moved",
            case: "moved",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 0.001,
            unit: "S",
            severity: Some(Severity::Warning),
        },
        Band {
            name: "turned",
            case: "turned",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 0.5,
            unit: "deg",
            severity: Some(Severity::Warning),
        },
    ],
    requires: &[Need::Joints, Need::BindMatrices],
    reads: Reads::BIND,
    settings: &[],
    plantable: Plantable::Aimed {
        aim: 0.95,
        reason: "where a skin rests in another pose than it was bound in, one joint tells where it was bound: moved itself, \
                 it moves all others against it",
        kind: &Plantable::Range { most: 0.5 },
    },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

struct Off {
    joint: JointId,
    metres: f64,
    degrees: f64,
}

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let bind = ctx.facts.bind();
    for (index, skin) in ctx.rig.skins.iter().enumerate() {
        let id = SkinId::new(index);
        if skin.bind_unread {
            continue;
        }
        let mut off: BTreeMap<SkinId, Vec<Off>> = BTreeMap::new();
        for (slot, joint) in skin.joints.iter().enumerate() {
            let Some((first, _)) = bind.slot[joint.index()].filter(|(first, _)| *first != id) else {
                continue;
            };
            let matrix = match &skin.inverse_bind {
                Some(list) => list.get(slot).copied(),
                None => Some(DMat4::IDENTITY),
            };
            let frame = matrix.and_then(|matrix| place(bind.skins[index].mesh_to_world, matrix));
            let Some((origin, basis)) = frame else { continue };
            let before = &bind.joints[joint.index()];
            if before.basis.determinant() < 0.5 {
                continue;
            }
            let turn = (before.basis.transpose() * basis).transpose();
            let degrees = DQuat::from_mat3(&turn).normalize().to_axis_angle().1.to_degrees();
            let degrees = degrees.min(360.0 - degrees);
            let metres = origin.distance(before.origin);
            if metres.is_finite() && degrees.is_finite() {
                off.entry(first).or_default().push(Off { joint: *joint, metres, degrees });
            }
        }
        for (first, list) in off {
            compare(ctx, sink, first, id, &list);
        }
    }
}

fn compare(ctx: &Context<'_>, sink: &mut Sink<'_>, first: SkinId, skin: SkinId, all: &[Off]) {
    let s = ctx.facts.s();
    let (far, turn) = (sink.limit("moved"), sink.limit("turned"));
    let broken = |one: &&Off| {
        far.is_some_and(|far| one.metres > far * s) || turn.is_some_and(|turn| one.degrees > turn)
    };
    let list: Vec<&Off> = all.iter().filter(broken).collect();
    let farthest = list.iter().map(|one| one.metres).fold(0.0, f64::max);
    let widest = list.iter().map(|one| one.degrees).fold(0.0, f64::max);
    let Some(hit) = sink.judge("moved", farthest / s).or_else(|| sink.judge("turned", widest)) else {
        return;
    };
    let names = names(list.iter().map(|one| ctx.name(one.joint)));
    let called = |skin| ctx.labels.name(&Subject::Skin(skin));
    let text = message(&called(skin), &called(first), list.len(), &names, &length(farthest, s), &deg(widest));
    let mut fact = Fact::new(Subject::Skin(skin), text)
        .length("farthest origin", farthest, far, s)
        .evidence("widest turn", widest, turn, Unit::Degree)
        .evidence("joints in both skins", all.len() as f64, None, Unit::Count)
        .identified_by(Subject::Skin(first), "other skin");
    for one in list.iter().take(LISTED) {
        fact = fact.related(Subject::Joint(one.joint), "member");
    }
    sink.report(hit, fact);
}

/// Origin and unit axes of a joint at bind.
fn place(space: DMat4, inverse: DMat4) -> Option<(DVec3, DMat3)> {
    let matrix = space * inverse.inverse();
    let columns =
        [matrix.x_axis, matrix.y_axis, matrix.z_axis].map(|column| column.truncate().try_normalize());
    let [Some(x), Some(y), Some(z)] = columns else { return None };
    let basis = DMat3::from_cols(x, y, z);
    (matrix.is_finite() && basis.determinant() > 0.5).then_some((matrix.w_axis.truncate(), basis))
}

fn message(skin: &str, first: &str, joints: usize, names: &str, far: &str, wide: &str) -> String {
    format!(
        "{} bound elsewhere in {skin} than in {first}, up to {far} and {wide}: {names}",
        count(joints as u64, "joint is", "joints are")
    )
}
