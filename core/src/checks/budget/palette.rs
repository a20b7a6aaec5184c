//! Joints that move one primitive.

use crate::check::wording::count;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Fact, Subject, Unit};
use crate::model::{MeshId, Primitive, Reads};

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "budget/palette",
    summary: "more joints move one primitive than fit into one draw",
    why: "what is drawn at once needs all its joints at once: beyond the guaranteed size a program splits the mesh or fails on some devices",
    rule: Rule { title: "OpenGL ES 3.0", section: "MAX_VERTEX_UNIFORM_VECTORS" },
    page: include_str!("palette.md"),
    on: On::GLTF,
    bands: &[
        Band {
            name: "most",
            case: "",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 64.0,
            unit: "joints",
            severity: None,
        },
        Band {
            name: "limit",
            case: "",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 256.0,
            unit: "joints",
            severity: None,
        },
    ],
    requires: &[Need::Weights],
    reads: Reads::WEIGHTS,
    settings: &[],
    plantable: Plantable::Range { most: 1_000.0 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let limit = sink.limit("").unwrap_or(f64::MAX);
    let mut over: Vec<(MeshId, u32, usize)> = Vec::new();
    for (index, mesh) in ctx.rig.meshes.iter().enumerate() {
        for (at, primitive) in mesh.primitives.iter().enumerate() {
            let joints = used(primitive);
            if joints as f64 > limit {
                over.push((MeshId::new(index), at as u32, joints));
            }
        }
    }
    let Some((mesh, at, most)) = over.iter().copied().max_by_key(|(_, _, joints)| *joints) else { return };
    let Some(hit) = sink.judge("", most as f64) else { return };
    let worst = Subject::Primitive(mesh, at);
    let text = message(&ctx.labels.name(&worst), most as u64, over.len() as u64 - 1, hit.bound());
    // One primitive is named itself, several are the rig's matter.
    let subject = if over.len() == 1 { worst } else { Subject::Rig };
    let mut fact =
        Fact::new(subject, text).evidence("joints of one primitive", most as f64, hit.limit, Unit::Count);
    for (mesh, at, _) in over.into_iter().take(50) {
        fact = fact.related(Subject::Primitive(mesh, at), "member");
    }
    sink.report(hit, fact);
}

/// Different joints with a weight above zero.
fn used(primitive: &Primitive) -> usize {
    let mut seen = vec![false; usize::from(u16::MAX) + 1];
    let mut count = 0;
    for set in &primitive.influences {
        for (joints, weights) in set.joints.iter().zip(&set.weights) {
            for (joint, weight) in joints.iter().zip(weights) {
                let seen = &mut seen[usize::from(*joint)];
                if *weight > 0.0 && !*seen {
                    *seen = true;
                    count += 1;
                }
            }
        }
    }
    count
}

fn message(primitive: &str, joints: u64, more: u64, limit: f64) -> String {
    let also = if more > 0 {
        format!(", and {} too many", count(more, "other has", "others have"))
    } else {
        String::new()
    };
    format!("{primitive} is moved by {}{also} (limit {limit})", count(joints, "joint", "joints"))
}
