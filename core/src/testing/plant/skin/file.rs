//! Faults of how influences and vertices are written.

use super::{primitive, skinned, some};
use crate::body::skinning::part_vertices;
use crate::model::JointId;
use crate::testing::plant::cloth::{Cloth, blended, mesh_pointers};
use crate::testing::plant::{Document, Planted, Planter, Site};

pub(in super::super) const PLANTERS: &[Planter] = &[
    Planter { check: "skin/bad-vertex", band: None, plan: false, gltf: true, far: None, plant: bad_vertex },
    Planter {
        check: "skin/duplicate-influence",
        band: None,
        plan: false,
        gltf: true,
        far: None,
        plant: duplicate_influence,
    },
    Planter { check: "skin/half-set", band: None, plan: false, gltf: true, far: None, plant: half_set },
    Planter { check: "skin/negative", band: None, plan: false, gltf: true, far: None, plant: negative },
    Planter {
        check: "skin/precision",
        band: None,
        plan: false,
        gltf: true,
        far: Some(3.0),
        plant: precision,
    },
    Planter { check: "skin/too-many", band: None, plan: false, gltf: true, far: None, plant: too_many },
];

/// A coordinate is no number, or a triangle points past the vertices.
fn bad_vertex(site: &mut Site<'_>) -> Option<Planted> {
    let Document::Scene(scene) = &site.ground.document else { return None };
    let mut scene = scene.clone();
    let drawn: Vec<usize> = scene.nodes.iter().filter_map(|node| node.mesh).collect();
    let mesh = site.draw(&drawn)?;
    let list = &mut scene.meshes[mesh];
    let vertex = site.random.below(list.positions.len());
    let what = if site.random.below(2) == 0 {
        let wild = site.draw(&[f32::NAN, f32::INFINITY, f32::NEG_INFINITY])?;
        list.positions.get_mut(vertex)?[site.random.below(3)] = wild;
        format!("vertex {vertex} of mesh {mesh} is at {wild}")
    } else {
        let corner = site.random.below(list.indices.len());
        let past = list.positions.len() + site.random.below(50);
        *list.indices.get_mut(corner)? = u32::try_from(past).ok()?;
        format!("corner {corner} of mesh {mesh} is vertex {past}")
    };
    Some(Planted { document: Document::Scene(scene), subjects: primitive(mesh), what })
}

/// An influence falls in two of the same joint.
fn duplicate_influence(site: &mut Site<'_>) -> Option<Planted> {
    let (mut scene, mesh, _) = skinned(site)?;
    let rows = &mut scene.meshes[mesh].influences;
    let vertices = some(site, rows.len());
    let share = 0.2 + 0.6 * site.random.unit();
    for row in &mut rows[vertices.clone()] {
        let slot = site.random.below(row.len());
        let Some((joint, weight)) = row.get_mut(slot) else { continue };
        let (first, second) = (*weight * share as f32, *weight * (1.0 - share) as f32);
        *weight = first;
        let again = (*joint, second);
        row.push(again);
    }
    Some(Planted {
        document: Document::Scene(scene),
        subjects: primitive(mesh),
        what: format!("vertices {vertices:?} of mesh {mesh} name a joint twice"),
    })
}

/// An attribute of a set is left out, or a whole set before the last.
fn half_set(site: &mut Site<'_>) -> Option<Planted> {
    let (mut scene, mesh, _) = skinned(site)?;
    let most = scene.meshes[mesh].influences.iter().map(Vec::len).max()?;
    let sets = most.div_ceil(4);
    let set = site.random.below(sets);
    let mut out = vec![format!("JOINTS_{set}"), format!("WEIGHTS_{set}")];
    // The last set may go as a whole: that is no fault.
    if set + 1 == sets || site.random.below(3) > 0 {
        out.remove(site.random.below(2));
    }
    let what = format!("mesh {mesh} lacks {}", out.join(" and "));
    scene.left_out.extend(out.into_iter().map(|name| (mesh, name)));
    Some(Planted { document: Document::Scene(scene), subjects: primitive(mesh), what })
}

/// A weight is below zero, and another makes up for it; or one is without bound.
fn negative(site: &mut Site<'_>) -> Option<Planted> {
    let (mut scene, mesh, joints) = skinned(site)?;
    let rows = &mut scene.meshes[mesh].influences;
    let vertices = some(site, rows.len());
    let infinite = site.random.below(4) == 0;
    let low = 0.02 + 0.5 * site.random.unit() as f32;
    for row in &mut rows[vertices.clone()] {
        if infinite {
            let slot = site.random.below(row.len());
            row.get_mut(slot)?.1 = f32::INFINITY;
        } else {
            let other = (0..joints as u16).find(|slot| row.iter().all(|one| one.0 != *slot))?;
            row.first_mut()?.1 += low;
            row.push((other, -low));
        }
    }
    let value = if infinite { f32::INFINITY } else { -low };
    Some(Planted {
        document: Document::Scene(scene),
        subjects: primitive(mesh),
        what: format!("vertices {vertices:?} of mesh {mesh} have the weight {value}"),
    })
}

/// Vertices follow five to eight joints.
fn too_many(site: &mut Site<'_>) -> Option<Planted> {
    let (mut scene, mesh, joints) = skinned(site)?;
    let count = 5 + site.random.below(4);
    if joints < count || scene.meshes[mesh].influences.iter().any(|row| row.len() > 4) {
        return None;
    }
    let rows = &mut scene.meshes[mesh].influences;
    let vertices = some(site, rows.len());
    for row in &mut rows[vertices.clone()] {
        let new = (0..joints as u16).filter(|slot| row.iter().all(|one| one.0 != *slot));
        let new: Vec<u16> = new.take(count - row.len()).collect();
        let share = 0.02 + 0.06 * site.random.unit() as f32;
        for one in row.iter_mut() {
            one.1 *= 1.0 - share * new.len() as f32;
        }
        row.extend(new.into_iter().map(|slot| (slot, share)));
    }
    Some(Planted {
        document: Document::Scene(scene),
        subjects: primitive(mesh),
        what: format!("vertices {vertices:?} of mesh {mesh} follow {count} joints"),
    })
}

/// The weights of a mesh are stored in bytes, and one vertex follows a little of a joint so far away that half a step of
/// a byte shows.
fn precision(site: &mut Site<'_>) -> Option<Planted> {
    let mut cloth = Cloth::new(site)?;
    let points = cloth.points();
    let start = site.draw(&points)?;
    let mesh = cloth.mesh(start);
    let one_mesh = |point: &u32| {
        cloth
            .surface
            .members(*point)
            .iter()
            .all(|vertex| cloth.surface.parts[cloth.surface.part_of(*vertex)].mesh.index() == mesh)
    };
    let own: Vec<u32> = points.iter().copied().filter(|point| cloth.mesh(*point) == mesh).collect();
    // Half a step of a byte times the chord of a quarter turn, against the median radius of the joint's skin, percent.
    let step = |arm: f64, radius: f64| 100.0 * arm * std::f64::consts::SQRT_2 / 510.0 / radius;
    let parent = &cloth.facts.tree().parent;
    let pivot = |own: JointId, other: JointId| {
        let child = if parent[own.index()] == Some(other) { own } else { other };
        cloth.facts.origin(child)
    };
    // In bytes the sound mesh itself keeps well below the limit.
    let skinning = cloth.facts.skinning();
    let vertices =
        cloth.surface.parts.iter().filter(|part| part.mesh.index() == mesh).flat_map(part_vertices);
    let coarse = vertices.into_iter().any(|vertex| {
        let row = skinning.row(vertex);
        let Some(owner) = row.iter().max_by(|a, b| a.weight.total_cmp(&b.weight)) else { return false };
        let Some(radius) = cloth.facts.reach().radius[owner.joint.index()] else { return false };
        let place = cloth.surface.positions[vertex as usize];
        row.iter()
            .filter(|one| one.joint != owner.joint)
            .any(|one| step(pivot(owner.joint, one.joint).distance(place), radius.r50) > 0.9 * site.limit)
    });
    if coarse {
        return None;
    }
    let joints = cloth.joints(site);
    // The far end is met from below, the others from both sides.
    let window = if site.amount >= 3.0 * site.limit { 0.9..1.0 } else { 0.95..1.15 };
    let found = (0..600).find_map(|_| {
        let (point, joint) = (site.random.pick(&own)?, site.random.pick(&joints)?);
        let owner = cloth.owner(point);
        let radius = cloth.facts.reach().radius[owner.index()]?;
        let arm = pivot(owner, joint).distance(cloth.surface.points[point as usize]);
        let fits = window.contains(&(step(arm, radius.r50) / site.amount));
        let free = cloth.weight(point, joint) == 0.0 && cloth.weight(point, owner) > 0.6;
        (fits && free && joint != owner && one_mesh(&point)).then_some((point, joint, arm))
    });
    let (point, joint, arm) = found?;
    let row = blended(&cloth.row(point), joint, 0.1)?;
    cloth.set(point, &row)?;
    cloth.scene.weights_in_bytes.push(mesh);
    Some(Planted {
        subjects: mesh_pointers(mesh),
        what: format!("mesh {mesh} in bytes; point {point} follows {}, {arm:.3} m away", site.name(joint)),
        document: cloth.done(),
    })
}
