//! A skinned mesh whose node would draw it elsewhere.

use glam::{DMat3, DMat4, DQuat, DVec3};
use serde_json::json;

use crate::check::Hit;
use crate::check::wording::{count, deg, length, short};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, Subject, Unit};
use crate::model::{MeshId, NodeId, Reads, SkinId};
use crate::report::Severity;

/// Nodes listed in a fix.
const MOST: usize = 4_096;
/// Members listed with a finding.
const LISTED: usize = 32;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "bind/ignored-transform",
    summary: "the transform of a skinned mesh's own node is ignored, and it is not nothing",
    why: "the standard ignores it, but tools that do not show the mesh in another place, and so does every tool once the skin is taken off",
    rule: Rule { title: "glTF 2.0", section: "3.7.3.2" },
    page: include_str!("ignored_transform.md"),
    on: On::GLTF,
    bands: &[
        Band {
            name: "moved",
            case: "moved",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 0.01,
            unit: "S",
            severity: Some(Severity::Note),
        },
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
            name: "scaled",
            case: "scaled",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 0.01,
            unit: "1",
            severity: Some(Severity::Note),
        },
    ],
    requires: &[Need::Skins],
    reads: Reads::BIND,
    settings: &[],
    plantable: Plantable::Range { most: 2.0 },
    stability: Stability::Live,
    since: "1.0.0",
    run,
};

struct Elsewhere {
    node: NodeId,
    mesh: MeshId,
    skin: SkinId,
    /// Share of S.
    moved: f64,
    /// Degrees.
    turned: f64,
    scaled: f64,
}

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let s = ctx.facts.s();
    let mut found: Vec<(Hit, Elsewhere)> = Vec::new();
    for (index, node) in ctx.rig.nodes.iter().enumerate() {
        let (Some(mesh), Some(skin)) = (node.mesh, node.skin) else { continue };
        let space = place(ctx, skin);
        let Some((turned, scaled)) = linear(&space, &node.world) else { continue };
        // Where the two put the mesh: compared at its middle, so that a turn about a far origin counts as what it moves.
        let middle = (ctx.facts.size().low + ctx.facts.size().high) / 2.0;
        let back = space.inverse().transform_point3(middle);
        let moved = node.world.transform_point3(back).distance(middle) / s;
        let hit = sink
            .judge("moved", moved)
            .or_else(|| sink.judge("turned", turned))
            .or_else(|| sink.judge("scaled", scaled));
        let one = Elsewhere { node: NodeId::new(index), mesh, skin, moved, turned, scaled };
        found.extend(hit.map(|hit| (hit, one)));
    }
    // Meshes of one export share their fault.
    let worst = found.iter().max_by(|a, b| a.1.moved.total_cmp(&b.1.moved));
    let Some((hit, worst)) = worst else { return };
    let subject = if found.len() == 1 { Subject::Mesh(worst.mesh) } else { Subject::Rig };
    let name = ctx.labels.name(&Subject::Node(worst.node));
    let text = message(&name, found.len(), &length(worst.moved * s, s), &deg(worst.turned), worst.scaled);
    let mut fact = Fact::new(subject, text)
        .length("offset at the middle", worst.moved * s, sink.limit("moved"), s)
        .evidence("turn", worst.turned, sink.limit("turned"), Unit::Degree)
        .evidence("scale off one", worst.scaled, sink.limit("scaled"), Unit::One)
        .evidence("nodes", found.len() as f64, None, Unit::Count)
        .fix(Fix::Repair {
            applicability: Applicability::Safe,
            name: "move-to-root".into(),
            arguments: match found.as_slice() {
                [(_, one)] => json!({"node": one.node.0}),
                _ => json!({"nodes": found.iter().take(MOST).map(|(_, one)| one.node.0).collect::<Vec<_>>()}),
            },
            summary: "hang each such node from the scene itself, without a transform".into(),
        });
    if found.len() == 1 {
        fact = fact.identified_by(Subject::Skin(worst.skin), "skin");
    }
    for (_, one) in found.iter().take(LISTED) {
        fact = fact.related(Subject::Node(one.node), "drawn by");
    }
    sink.report(*hit, fact);
}

/// Where the joints draw the skin at rest. The bind space is found by axes and scale alone, which a posed rest does not
/// change; where most joints agree on an offset as well, that is the better one.
fn place(ctx: &Context<'_>, skin: SkinId) -> DMat4 {
    let space = ctx.facts.bind().skins[skin.index()].mesh_to_world;
    let skin = &ctx.rig.skins[skin.index()];
    let offsets: Vec<DVec3> = skin
        .joints
        .iter()
        .enumerate()
        .filter_map(|(slot, joint)| {
            let inverse =
                skin.inverse_bind.as_ref().map_or(Some(DMat4::IDENTITY), |list| list.get(slot).copied())?;
            let offset = (ctx.rig.joints[joint.index()].rest * inverse).w_axis.truncate();
            offset.is_finite().then_some(offset)
        })
        .collect();
    let middle = |pick: fn(&DVec3) -> f64| {
        let mut list: Vec<f64> = offsets.iter().map(pick).collect();
        let at = list.len() / 2;
        *list.select_nth_unstable_by(at, f64::total_cmp).1
    };
    if skin.bind_unread || offsets.is_empty() {
        return space;
    }
    let common = DVec3::new(middle(|v| v.x), middle(|v| v.y), middle(|v| v.z));
    let agreeing = offsets.iter().filter(|offset| offset.distance(common) < 1e-3 * ctx.facts.s()).count();
    if agreeing * 2 <= offsets.len() {
        return space;
    }
    DMat4 { w_axis: common.extend(1.0), ..space }
}

/// Turn in degrees and scale off one between two matrices.
fn linear(a: &DMat4, b: &DMat4) -> Option<(f64, f64)> {
    let between = DMat3::from_mat4(*b) * DMat3::from_mat4(*a).inverse();
    let scale = between.determinant().abs().cbrt();
    let columns = [between.x_axis, between.y_axis, between.z_axis].map(DVec3::try_normalize);
    let [Some(x), Some(y), Some(z)] = columns else { return None };
    let basis = DMat3::from_cols(x, y, z);
    let turned = DQuat::from_mat3(&basis).normalize().to_axis_angle().1.to_degrees();
    let turned = if basis.determinant() > 0.0 { turned.min(360.0 - turned) } else { 180.0 };
    (scale.is_finite() && turned.is_finite()).then_some((turned, (scale - 1.0).abs()))
}

fn message(node: &str, nodes: usize, moved: &str, turned: &str, scaled: f64) -> String {
    let more = if nodes > 1 {
        format!(", and {} with it", count(nodes as u64 - 1, "other", "others"))
    } else {
        String::new()
    };
    format!(
        "the transform of {node} would draw its skin elsewhere, by {moved}, {turned} and a scale off one by {}{more}",
        short(scaled)
    )
}
