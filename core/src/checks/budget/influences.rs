//! Influences stored for each vertex.

use crate::check::wording::count;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Fact, Subject, Unit};
use crate::model::{MeshId, Reads};

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "budget/influences",
    summary: "more influences stored for each vertex than the target reads",
    why: "a target that reads one set of four drops the others without a word, and the skin tears where they mattered",
    rule: Rule { title: "glTF 2.0", section: "3.7.3.3" },
    page: include_str!("influences.md"),
    on: On::GLTF,
    bands: &[
        Band {
            name: "most",
            case: "",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 4.0,
            unit: "influences",
            severity: None,
        },
        Band {
            name: "limit",
            case: "",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 8.0,
            unit: "influences",
            severity: None,
        },
    ],
    requires: &[Need::Weights],
    reads: Reads::WEIGHTS,
    settings: &[],
    plantable: Plantable::Range { most: 16.0 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let mut worst: Option<(usize, MeshId)> = None;
    let mut meshes = Vec::new();
    let limit = sink.limit("").unwrap_or(f64::MAX);
    for (index, mesh) in ctx.rig.meshes.iter().enumerate() {
        let slots = mesh.primitives.iter().map(|p| p.influences.len() * 4).max().unwrap_or(0);
        if slots as f64 > limit {
            meshes.push(MeshId::new(index));
        }
        if worst.is_none_or(|(most, _)| slots > most) {
            worst = Some((slots, MeshId::new(index)));
        }
    }
    let Some((slots, mesh)) = worst else { return };
    let Some(hit) = sink.judge("", slots as f64) else { return };
    // One mesh is named itself, several are the rig's matter.
    let subject = if meshes.len() == 1 { Subject::Mesh(mesh) } else { Subject::Rig };
    let text =
        message(&ctx.labels.name(&Subject::Mesh(mesh)), slots as u64, meshes.len() as u64 - 1, hit.bound());
    let mut fact =
        Fact::new(subject, text).evidence("influences stored", slots as f64, hit.limit, Unit::Count);
    for mesh in meshes.into_iter().take(50) {
        fact = fact.related(Subject::Mesh(mesh), "member");
    }
    sink.report(hit, fact);
}

fn message(mesh: &str, slots: u64, more: u64, limit: f64) -> String {
    let also = if more > 0 {
        format!(", and {} too many", count(more, "other mesh stores", "other meshes store"))
    } else {
        String::new()
    };
    format!("{mesh} stores {} for each vertex{also} (limit {limit})", count(slots, "influence", "influences"))
}
