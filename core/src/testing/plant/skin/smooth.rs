//! Faults of how weights change over the skin: dust, jumps, seams, sides that differ, joints left out.

use std::collections::BTreeSet;

use super::skinned;
use crate::body::Influence;
use crate::body::geodesic::{Walk, walk};
use crate::body::near::Near;
use crate::body::skinning::difference;
use crate::model::JointId;
use crate::testing::plant::cloth::{Cloth, Row, blended, mesh_pointers};
use crate::testing::plant::{Document, Planted, Planter, Site};

pub(in super::super) const PLANTERS: &[Planter] = &[
    Planter { check: "skin/dust", band: None, plan: false, gltf: true, far: Some(90.0), plant: dust },
    Planter {
        check: "skin/mirror-weights",
        band: None,
        plan: false,
        gltf: true,
        far: Some(60.0),
        plant: mirror_weights,
    },
    Planter { check: "skin/rough", band: None, plan: false, gltf: true, far: Some(0.9), plant: rough },
    Planter {
        check: "skin/seam",
        band: Some("unequal"),
        plan: false,
        gltf: true,
        far: Some(0.9),
        plant: seam,
    },
    Planter {
        check: "skin/unmoved-part",
        band: None,
        plan: false,
        gltf: true,
        far: None,
        plant: unmoved_part,
    },
];

/// A share of the vertices follow one more joint by three thousandths.
fn dust(site: &mut Site<'_>) -> Option<Planted> {
    let (mut scene, mesh, joints) = skinned(site)?;
    let rows = &mut scene.meshes[mesh].influences;
    let bare = rows.iter().flatten().all(|one| one.1 == 0.0 || one.1 > 0.006);
    if rows.len() < 80 || joints < 6 || !bare || rows.iter().any(Vec::is_empty) {
        return None;
    }
    let share = site.amount / 100.0 * rows.len() as f64;
    let count = if site.amount > site.limit { share.ceil() } else { share.floor() } as usize;
    let mut left: Vec<usize> = (0..rows.len()).collect();
    for _ in 0..count {
        let vertex = left.swap_remove(site.random.below(left.len()));
        let row = &mut rows[vertex];
        let start = site.random.below(joints);
        let slot = (start..start + joints)
            .map(|slot| (slot % joints) as u16)
            .find(|slot| row.iter().all(|one| one.0 != *slot))?;
        for one in row.iter_mut() {
            one.1 *= 0.997;
        }
        row.push((slot, 0.003));
    }
    Some(Planted {
        document: Document::Scene(scene),
        subjects: vec![format!("/meshes/{mesh}")],
        what: format!("{count} vertices of mesh {mesh} have dust"),
    })
}

/// Weights of one side are painted over.
fn mirror_weights(site: &mut Site<'_>) -> Option<Planted> {
    let mut cloth = Cloth::new(site)?;
    let facts = cloth.facts;
    let plane = facts.mirror()?;
    let reach = 1e-3 * facts.s();
    let near = Near::new(&cloth.surface.points, reach);
    let twins = &facts.twins().of;
    let mirrored = |row: &[Influence]| {
        let mut out: Vec<Influence> = row
            .iter()
            .map(|one| Influence { joint: twins[one.joint.index()].unwrap_or(one.joint), ..*one })
            .collect();
        out.sort_unstable_by_key(|one| one.joint);
        out
    };
    let points = cloth.points();
    let mesh = cloth.mesh(site.draw(&points)?);
    let own: Vec<u32> = points.into_iter().filter(|point| cloth.mesh(*point) == mesh).collect();
    let pairs: Vec<(u32, u32)> = own
        .iter()
        .filter_map(|point| {
            let image = plane.mirror(cloth.surface.points[*point as usize]);
            let other = near.nearest(image, reach).filter(|other| cloth.mesh(*other) == mesh);
            other.map(|other| (*point, other))
        })
        .collect();
    let skinning = facts.skinning();
    let differ = pairs
        .iter()
        .filter(|(a, b)| difference(skinning.point_row(*a), &mirrored(skinning.point_row(*b))) > 0.08)
        .count();
    if pairs.len() < 100 || pairs.len() * 10 < own.len() * 6 || differ * 1000 > pairs.len() * 4 {
        return None;
    }
    // One of two twins, so that each change is seen twice.
    let side: BTreeSet<u32> = pairs
        .iter()
        .filter(|(a, b)| a != b && plane.distance(cloth.surface.points[*a as usize]) > 0.0)
        .map(|(a, _)| *a)
        .collect();
    let wanted = site.amount / 100.0 * pairs.len() as f64 / 2.0;
    let count = if site.amount > site.limit { wanted.ceil() } else { wanted.floor() } as usize;
    let list: Vec<u32> = side.iter().copied().collect();
    let start = site.draw(&list)?;
    let painted: Vec<u32> = cloth
        .around(start, cloth.surface.points.len())
        .into_iter()
        .filter(|point| side.contains(point))
        .take(count)
        .collect();
    if painted.len() < count || count == 0 {
        return None;
    }
    for point in painted {
        // A joint beside those that move the point: a brush that was too wide.
        let owner = cloth.owner(point);
        let up = facts.tree().parent[owner.index()];
        let mut beside: Vec<JointId> = up.into_iter().chain(cloth.children(owner)).collect();
        beside.extend(up.iter().flat_map(|up| cloth.children(*up)));
        let free = |joint: &JointId| facts.deforms(*joint) && cloth.weight(point, *joint) == 0.0;
        let joint = beside.into_iter().find(free)?;
        cloth.blend(point, joint, 0.5)?;
    }
    Some(Planted {
        subjects: vec![format!("/meshes/{mesh}")],
        what: format!("{count} of {} mirrored points of mesh {mesh} are painted over", pairs.len()),
        document: cloth.done(),
    })
}

/// One point follows a joint that none of its neighbours follow.
fn rough(site: &mut Site<'_>) -> Option<Planted> {
    let mut cloth = Cloth::new(site)?;
    let points = cloth.points();
    let (surface, facts) = (cloth.surface, cloth.facts);
    let found = (0..80).find_map(|_| {
        let point = site.random.pick(&points)?;
        let around = surface.edges().neighbours(point);
        if !(4..=16).contains(&around.len()) || !around.iter().all(|next| cloth.sound(*next)) {
            return None;
        }
        // Where the weights hardly change, the jump is all there is.
        let row = facts.skinning().point_row(point);
        let even = |next: &u32| difference(row, facts.skinning().point_row(*next)) < 0.04;
        if !around.iter().all(even) {
            return None;
        }
        let owner = cloth.owner(point);
        let up = facts.tree().parent[owner.index()];
        let near: Vec<JointId> = up.into_iter().chain(cloth.children(owner)).collect();
        let joint = site.random.pick(&near)?;
        let bare = |at: &u32| cloth.weight(*at, joint) == 0.0;
        if !facts.deforms(joint) || !bare(&point) || !around.iter().all(bare) {
            return None;
        }
        // Not across a gap: the joint's own skin is as near along the surface as through the air.
        let owns = |at: u32| facts.skinning().dominant[at as usize] == joint.0;
        let place = surface.points[point as usize];
        let all = (0..surface.points.len() as u32).filter(|at| owns(*at));
        let straight = all.map(|at| surface.points[at as usize].distance(place)).min_by(f64::total_cmp)?;
        let close =
            walk(surface, &[point], (2.0 * straight).max(0.04 * facts.s()), &mut { usize::MAX }, owns);
        matches!(close, Walk::Reached(_)).then_some((point, joint))
    });
    let (point, joint) = found?;
    cloth.blend(point, joint, site.amount)?;
    Some(Planted {
        subjects: mesh_pointers(cloth.mesh(point)),
        what: format!("point {point} follows {} by {}", site.name(joint), site.amount),
        document: cloth.done(),
    })
}

/// An edge with a triangle on each side, of one mesh and facing the same way: the copies at its ends on the one side
/// become vertices of their own, if they are not. What is given back: the mesh, the point, and the vertex there that only
/// the one side uses, as a number in its mesh.
pub(in super::super) fn part_edge(
    cloth: &mut Cloth<'_>,
    random: &mut crate::testing::plant::Random,
    point: u32,
) -> Option<(usize, usize)> {
    let surface = cloth.surface;
    let halves = surface.edges().halves(point);
    let sides: Vec<_> = halves.chunk_by(|a, b| a.to == b.to).filter(|sides| sides.len() == 2).collect();
    let sides = random.pick(&sides)?;
    let ends = |corner: u32| {
        let (triangle, at) = (corner / 3, corner as usize % 3);
        let corners = surface.triangles[triangle as usize];
        (triangle, corners[at], corners[(at + 1) % 3])
    };
    let (one, other) = (ends(sides[0].corner), ends(sides[1].corner));
    let part = |triangle: u32| surface.part_of(surface.triangles[triangle as usize][0]);
    let at = |vertex: u32| surface.point_of[vertex as usize];
    let facing = (at(one.1) == point) != (at(other.1) == point);
    if !facing || part(one.0) != part(other.0) || !cloth.sound(point) {
        return None;
    }
    let low = if at(one.1) == point { one.1 } else { one.2 };
    let part = &surface.parts[part(one.0)];
    part.skin?;
    let mesh = part.mesh.index();
    let vertex = (low - part.first_vertex) as usize;
    // A vertex of its own for that corner alone.
    let list = &mut cloth.scene.meshes[mesh];
    let copy = list.positions.len();
    list.positions.push(list.positions[vertex]);
    if !list.normals.is_empty() {
        list.normals.push(list.normals[vertex]);
    }
    if !list.colours.is_empty() {
        list.colours.push(list.colours[vertex]);
    }
    let row = list.influences[vertex].clone();
    list.influences.push(row);
    let corners: Vec<usize> = surface.triangles[one.0 as usize]
        .iter()
        .map(|corner| (corner - part.first_vertex) as usize)
        .collect();
    let is = |three: &[u32]| three.iter().zip(&corners).all(|(a, b)| *a as usize == *b);
    let mut triangles = list.indices.chunks_exact_mut(3);
    let triangle = triangles.find(|three| is(three))?;
    let corner = triangle.iter_mut().find(|corner| **corner as usize == vertex)?;
    *corner = copy as u32;
    Some((mesh, copy))
}

/// Along an edge the two sides follow different shares of a joint.
fn seam(site: &mut Site<'_>) -> Option<Planted> {
    let mut cloth = Cloth::new(site)?;
    let points = cloth.points();
    let point = site.draw(&points)?;
    let (mesh, copy) = part_edge(&mut cloth, &mut site.random, point)?;
    let owner = cloth.owner(point);
    let up = cloth.facts.tree().parent[owner.index()];
    let near: Vec<JointId> = up.into_iter().chain(cloth.children(owner)).collect();
    let joint = site.draw(&near)?;
    if cloth.weight(point, joint) > 0.0 {
        return None;
    }
    let row: Row = blended(&cloth.row(point), joint, site.amount)?;
    let slots = cloth.slots(cloth.surface.members(point)[0], &row)?;
    cloth.scene.meshes[mesh].influences[copy] = slots;
    Some(Planted {
        subjects: vec![format!("/meshes/{mesh}")],
        what: format!("two copies of point {point} differ by {} of {}", site.amount, site.name(joint)),
        document: cloth.done(),
    })
}

/// A joint between two that move skin gives all of its own to the one above.
fn unmoved_part(site: &mut Site<'_>) -> Option<Planted> {
    let mut cloth = Cloth::new(site)?;
    let facts = cloth.facts;
    let inner: Vec<JointId> = cloth
        .joints(site)
        .into_iter()
        .filter(|joint| {
            let up = facts.tree().parent[joint.index()];
            up.is_some_and(|up| facts.deforms(up)) && !cloth.children(*joint).is_empty()
        })
        .collect();
    let joint = site.draw(&inner)?;
    let up = facts.tree().parent[joint.index()]?;
    for vertex in 0..cloth.surface.positions.len() as u32 {
        let row = facts.skinning().row(vertex);
        let Some(weight) = row.iter().find(|one| one.joint == joint).map(|one| one.weight) else { continue };
        let had = row.iter().any(|one| one.joint == up);
        let mut new: Row = row.iter().map(|one| (one.joint, one.weight)).collect();
        if had {
            new.iter_mut().filter(|one| one.0 == up).for_each(|one| one.1 += weight);
            new.retain(|one| one.0 != joint);
        } else {
            new.iter_mut().filter(|one| one.0 == joint).for_each(|one| one.0 = up);
        }
        cloth.set_vertex(vertex, &new)?;
    }
    Some(Planted {
        subjects: vec![site.pointer(joint)],
        what: format!("the skin of {} follows {}", site.name(joint), site.name(up)),
        document: cloth.done(),
    })
}
