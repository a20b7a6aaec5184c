//! A node whose transform its skin ignores, and would matter.

use glam::{DMat3, DMat4, DQuat, DVec3};
use serde_json::json;

use crate::check::wording::{count, deg, length, short};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, Subject, Unit};
use crate::model::{MeshId, NodeId, Reads};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "bind/ignored-transform",
    summary: "the node of a skinned mesh would draw it elsewhere than its skin does",
    why: "readers must ignore the transform of a node with a skin: tools that honour it show the model elsewhere, and what was placed by that node is not where it was put",
    rule: Rule { title: "glTF 2.0", section: "3.7.3.3" },
    page: include_str!("ignored_transform.md"),
    on: On::GLTF,
    bands: &[band("moved", 0.01, "S"), band("turned", 1.0, "deg"), band("scaled", 0.01, "1")],
    requires: &[Need::Joints, Need::Skins],
    reads: Reads::BIND.union(Reads::MESH),
    settings: &[],
    plantable: Plantable::Range { most: 1.0 },
    stability: Stability::Live,
    since: "1.0.0",
    run,
};

const fn band(name: &'static str, limit: f64, unit: &'static str) -> Band {
    Band { name, case: name, on: On::GLTF, bound: Bound::Above, limit, unit, severity: Some(Severity::Note) }
}

/// Members listed with a finding.
const LISTED: usize = 32;

struct Off {
    node: NodeId,
    metres: f64,
    degrees: f64,
    factor: f64,
}

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let rig = ctx.rig;
    let s = ctx.facts.s();
    let mut off = Vec::new();
    for skin in &rig.skins {
        // Where the joints do not agree, the pose is not the one that the skin was bound in: there is no one place.
        let Some(there) = ctx.facts.rest_space(skin) else { continue };
        for node in &skin.users {
            let it = &rig.nodes[node.index()];
            let Some(middle) =
                it.mesh.filter(|mesh| !in_steps(ctx, *mesh)).and_then(|mesh| middle(ctx, mesh))
            else {
                continue;
            };
            if let Some(one) = compare(*node, &it.world, &there, middle) {
                off.push(one);
            }
        }
    }
    let judge = |one: &Off| {
        sink.judge("moved", one.metres / s)
            .or_else(|| sink.judge("turned", one.degrees))
            .or_else(|| sink.judge("scaled", one.factor))
    };
    off.retain(|one| judge(one).is_some());
    let by = |pick: fn(&Off) -> f64| off.iter().map(pick).fold(0.0, f64::max);
    let (metres, degrees, factor) = (by(|o| o.metres), by(|o| o.degrees), by(|o| o.factor));
    let Some(hit) = off.first().and_then(judge) else { return };
    let nodes: Vec<NodeId> = off.iter().map(|one| one.node).collect();
    let subject = if let [only] = nodes.as_slice() { Subject::Node(*only) } else { Subject::Rig };
    let name = ctx.labels.name(&Subject::Node(nodes[0]));
    let text = message(&name, nodes.len(), &length(metres, s), degrees, factor);
    let mut fact = Fact::new(subject, text)
        .length("distance between the two places", metres, sink.limit("moved"), s)
        .evidence("turn between them", degrees, sink.limit("turned"), Unit::Degree)
        .evidence("ratio of their sizes, off one", factor, sink.limit("scaled"), Unit::One);
    for node in nodes.iter().take(LISTED) {
        fact = fact.identified_by(Subject::Node(*node), "member");
    }
    sink.report(hit, fact.fix(to_root(ctx, &nodes)));
}

/// Positions looked at to tell whether they are whole steps.
const LOOKED: usize = 64;

/// Whether positions are stored as whole numbers (KHR_mesh_quantization): what brings them to size then stands in the
/// bind matrices, and no node could draw them where they belong.
fn in_steps(ctx: &Context<'_>, mesh: MeshId) -> bool {
    let positions = || {
        let primitives = &ctx.rig.meshes[mesh.index()].primitives;
        primitives.iter().flat_map(|one| &one.positions).take(LOOKED).flatten()
    };
    // A step of 16 bits as f32 is off by less than 0.01 of a step.
    let whole = |steps: f32| positions().all(|c| (c * steps - (c * steps).round()).abs() < 0.02);
    let normalised = positions().all(|c| c.abs() <= 1.0) && positions().any(|c| c.fract() != 0.0);
    let large = positions().any(|c| c.abs() > 16.0);
    (large && whole(1.0)) || (normalised && [255.0, 127.0, 65_535.0, 32_767.0].into_iter().any(whole))
}

/// The middle of the box around a mesh, in its own space: what a turn about a far origin does not exaggerate.
fn middle(ctx: &Context<'_>, mesh: MeshId) -> Option<DVec3> {
    let (mut low, mut high) = (DVec3::INFINITY, DVec3::NEG_INFINITY);
    for position in ctx.rig.meshes[mesh.index()].primitives.iter().flat_map(|one| &one.positions) {
        let point = DVec3::from(position.map(f64::from));
        if point.is_finite() {
            (low, high) = (low.min(point), high.max(point));
        }
    }
    (low.x <= high.x).then(|| (low + high) / 2.0)
}

fn compare(node: NodeId, own: &DMat4, there: &DMat4, middle: DVec3) -> Option<Off> {
    let metres = own.transform_point3(middle).distance(there.transform_point3(middle));
    let (a, b) = (axes(own)?, axes(there)?);
    let turn = DQuat::from_mat3(&(a.transpose() * b)).normalize().to_axis_angle().1.to_degrees();
    // A mirrored one has no rotation: it is as far off as can be.
    let mirrored = a.determinant() * b.determinant() < 0.0;
    let degrees = if mirrored { 180.0 } else { turn.min(360.0 - turn) };
    let size = |m: &DMat4| m.determinant().abs().cbrt();
    let factor = (size(own) / size(there)).ln().abs().exp() - 1.0;
    (metres.is_finite() && degrees.is_finite() && factor.is_finite()).then_some(Off {
        node,
        metres,
        degrees,
        factor,
    })
}

fn axes(m: &DMat4) -> Option<DMat3> {
    let [x, y, z] = [m.x_axis, m.y_axis, m.z_axis].map(|axis| axis.truncate().try_normalize());
    Some(DMat3::from_cols(x?, y?, z?))
}

/// At the root of its scene the node can be where the skin is drawn, without moving anything else.
fn to_root(ctx: &Context<'_>, nodes: &[NodeId]) -> Option<Fix> {
    let free = |node: &NodeId| {
        let it = &ctx.rig.nodes[node.index()];
        it.joint.is_none() && it.children.is_empty() && !it.camera_or_light
    };
    let list: Vec<u32> = nodes.iter().map(|node| node.0).collect();
    nodes.iter().all(free).then(|| Fix::Repair {
        applicability: Applicability::Review,
        name: "move-to-root".into(),
        arguments: json!({"nodes": list}),
        summary: "hang the skinned mesh from the scene, where its skin draws it".into(),
    })
}

fn message(name: &str, nodes: usize, far: &str, degrees: f64, factor: f64) -> String {
    let more = if nodes > 1 {
        format!(" (and {})", count(nodes as u64 - 1, "more node", "more nodes"))
    } else {
        String::new()
    };
    format!(
        "the transform of {name}{more} is ignored: by it the skin would lie {far} and {} away, {} % larger or smaller \
         (limits 1 % of S, 1.0°, 1 %)",
        deg(degrees),
        short(factor * 100.0)
    )
}
