//! More than a target can afford. The limits are those of the bench's own profile: there are none by default.

use super::edit::Growth;
use super::{Document, Planted, Planter, Site};
use crate::export::Scene;
use crate::model::JointId;

pub(super) const ALL: &[&[Planter]] = &[&[
    Planter {
        check: "budget/bytes",
        band: Some("most"),
        plan: true,
        gltf: true,
        far: Some(8_000_000.0),
        plant: bytes,
    },
    Planter {
        check: "budget/influences",
        band: Some("most"),
        plan: false,
        gltf: true,
        far: Some(16.0),
        plant: influences,
    },
    Planter {
        check: "budget/joints",
        band: Some("most"),
        plan: true,
        gltf: true,
        far: Some(600.0),
        plant: joints,
    },
    Planter {
        check: "budget/palette",
        band: Some("most"),
        plan: false,
        gltf: true,
        far: Some(400.0),
        plant: palette,
    },
    Planter {
        check: "budget/vertices",
        band: Some("most"),
        plan: false,
        gltf: true,
        far: Some(100_000.0),
        plant: vertices,
    },
]];

/// The strength as a whole number; nothing where the sound rig has more than the limit already.
fn whole(site: &Site<'_>, now: usize) -> Option<usize> {
    ((now as f64) < site.limit).then_some(site.amount.round() as usize)
}

/// A joint that others can be hung from.
fn stem(site: &mut Site<'_>) -> Option<JointId> {
    let deforming: Vec<JointId> =
        site.joints().into_iter().filter(|joint| site.facts.deforms(*joint)).collect();
    site.draw(&deforming)
}

fn joints(site: &mut Site<'_>) -> Option<Planted> {
    let now = site.facts.rig().joints.len();
    let wanted = whole(site, now)?;
    let from = stem(site)?;
    let step = site.random.direction() * 0.001 * site.facts.s();
    let count = wanted.saturating_sub(now);
    let grown = site.grow(&Growth { from, count, step, stem: "surplus", role: "control", chained: false })?;
    let what = format!("{count} joints are added to {now}");
    Some(Planted { document: grown.document, subjects: vec![String::new()], what })
}

/// A mesh that is drawn with a skin, and the skin.
fn skinned(site: &mut Site<'_>) -> Option<(usize, usize)> {
    let Document::Scene(scene) = &site.ground.document else { return None };
    let drawn: Vec<(usize, usize)> = scene
        .nodes
        .iter()
        .filter_map(|node| Some((node.mesh?, node.skin?)))
        .filter(|(mesh, _)| scene.meshes[*mesh].influences.len() > 3)
        .collect();
    site.random.pick(&drawn)
}

fn primitive(mesh: usize) -> Vec<String> {
    vec![format!("/meshes/{mesh}/primitives/0"), format!("/meshes/{mesh}")]
}

fn influences(site: &mut Site<'_>) -> Option<Planted> {
    let (mesh, skin) = skinned(site)?;
    let Document::Scene(mut scene) = site.ground.document.clone() else { return None };
    let slots = scene.skins[skin].joints.len();
    let rows = &mut scene.meshes[mesh].influences;
    let now = rows.iter().map(Vec::len).max().unwrap_or(0);
    // Stored in sets of four: the limit itself is a whole set.
    let wanted = whole(site, now.saturating_sub(1))?;
    if wanted > slots {
        return None;
    }
    let vertex = site.random.below(rows.len());
    let first = site.random.below(slots - wanted + 1);
    rows[vertex] = (first..first + wanted).map(|slot| (slot as u16, 1.0 / wanted as f32)).collect();
    Some(Planted {
        document: Document::Scene(scene),
        subjects: primitive(mesh),
        what: format!("vertex {vertex} of mesh {mesh} has {wanted} influences"),
    })
}

/// Joints with weight on a mesh.
fn used(scene: &Scene, mesh: usize) -> std::collections::BTreeSet<u16> {
    let rows = scene.meshes[mesh].influences.iter().flatten();
    rows.filter(|(_, weight)| *weight > 0.0).map(|(joint, _)| *joint).collect()
}

fn palette(site: &mut Site<'_>) -> Option<Planted> {
    let (mesh, skin) = skinned(site)?;
    let Document::Scene(scene) = &site.ground.document else { return None };
    let now = used(scene, mesh).len();
    let wanted = whole(site, now)?;
    let rows = scene.meshes[mesh].influences.len();
    let count = wanted.saturating_sub(now);
    if count > rows {
        return None;
    }
    let from = stem(site)?;
    let step = site.random.direction() * 0.001 * site.facts.s();
    let grown = site.grow(&Growth { from, count, step, stem: "bead", role: "deforming", chained: false })?;
    let Document::Scene(mut scene) = grown.document else { return None };
    if let Some((grown_in, first)) = grown.slots {
        if grown_in != skin {
            return None;
        }
        // A little of each of as many vertices, so that no joint loses its own.
        let start = site.random.below(rows - count + 1);
        for (number, row) in scene.meshes[mesh].influences[start..start + count].iter_mut().enumerate() {
            for (_, weight) in row.iter_mut() {
                *weight *= 0.9;
            }
            row.push(((first + number) as u16, 0.1));
        }
    }
    Some(Planted {
        document: Document::Scene(scene),
        subjects: primitive(mesh),
        what: format!("{count} joints more than {now} move mesh {mesh}"),
    })
}

/// Adds vertices that no triangle uses.
fn add_vertices(scene: &mut Scene, mesh: usize, count: usize) {
    let mesh = &mut scene.meshes[mesh];
    let old = mesh.positions.len();
    for number in 0..count {
        let from = number % old;
        mesh.positions.push(mesh.positions[from]);
        if mesh.normals.len() >= old {
            mesh.normals.push(mesh.normals[from]);
        }
        if mesh.colours.len() >= old {
            mesh.colours.push(mesh.colours[from]);
        }
        if mesh.influences.len() >= old {
            mesh.influences.push(mesh.influences[from].clone());
        }
    }
}

fn vertices(site: &mut Site<'_>) -> Option<Planted> {
    let (mesh, _) = skinned(site)?;
    let Document::Scene(mut scene) = site.ground.document.clone() else { return None };
    let meshes = &site.facts.rig().meshes;
    let now = meshes.iter().flat_map(|mesh| &mesh.primitives).map(|p| p.positions.len()).sum();
    let wanted = whole(site, now)?;
    add_vertices(&mut scene, mesh, wanted.saturating_sub(now));
    let what = format!("mesh {mesh} is filled up to {wanted} vertices");
    Some(Planted { document: Document::Scene(scene), subjects: vec![String::new()], what })
}

fn bytes(site: &mut Site<'_>) -> Option<Planted> {
    let now = site.facts.rig().bytes as usize;
    let missing = whole(site, now)?.saturating_sub(now);
    let what = format!("{missing} bytes are added to {now}");
    if let Some(mut plan) = site.spoilt_plan() {
        plan["extras"] = serde_json::json!({"filling": "x".repeat(missing)});
        return Some(Planted { document: Document::Plan(plan), subjects: vec![String::new()], what });
    }
    let (mesh, _) = skinned(site)?;
    let Document::Scene(mut scene) = site.ground.document.clone() else { return None };
    // What one vertex takes in the file: measured.
    let few = 64;
    let mut probe = scene.clone();
    add_vertices(&mut probe, mesh, few);
    let size = |scene: Scene| Document::Scene(scene).files().model.map_or(0, |bytes| bytes.len());
    let each = size(probe).saturating_sub(size(scene.clone())).div_ceil(few).max(1);
    add_vertices(&mut scene, mesh, missing.div_ceil(each));
    Some(Planted { document: Document::Scene(scene), subjects: vec![String::new()], what })
}
