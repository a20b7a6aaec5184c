//! Weight where a joint has nothing to do, and loose pieces that bend.

use glam::DVec3;

use crate::body::geodesic::{Walk, walk};
use crate::model::JointId;
use crate::testing::plant::cloth::Cloth;
use crate::testing::plant::{Planted, Planter, Site};

pub(in super::super) const PLANTERS: &[Planter] = &[
    Planter {
        check: "skin/far-reach",
        band: Some("astray"),
        plan: false,
        gltf: true,
        far: Some(0.9),
        plant: far_reach,
    },
    Planter { check: "skin/leak", band: None, plan: false, gltf: true, far: Some(0.9), plant: leak },
    Planter {
        check: "skin/loose-island",
        band: Some("slight"),
        plan: false,
        gltf: true,
        far: Some(1.0),
        plant: loose_island,
    },
];

/// Distance of a place to the segments of a joint, and the reach of its own skin, metres; nothing for a joint with too
/// little skin to have one.
fn apart(cloth: &Cloth<'_>, joint: JointId, point: u32) -> Option<(f64, f64)> {
    let radius = cloth.facts.reach().radius[joint.index()]?;
    let place = cloth.surface.points[point as usize];
    let distance = cloth.facts.reach().distance(cloth.facts.origin(joint), joint, place);
    (radius.dominated >= 24).then_some((distance, radius.scale))
}

/// A few points follow a joint far away on the body.
fn far_reach(site: &mut Site<'_>) -> Option<Planted> {
    let mut cloth = Cloth::new(site)?;
    let (points, joints) = (cloth.points(), cloth.joints(site));
    let many = 1 + site.random.below(8);
    let found = (0..60).find_map(|_| {
        let (start, joint) = (site.random.pick(&points)?, site.random.pick(&joints)?);
        let (distance, reach) = apart(&cloth, joint, start)?;
        if distance < 4.0 * reach || distance < 0.1 * cloth.facts.s() {
            return None;
        }
        let patch = cloth.around(start, many);
        let far = |point: &u32| {
            cloth.sound(*point)
                && cloth.weight(*point, joint) == 0.0
                && cloth.facts.reach().steps(joint, cloth.owner(*point), 4) > 3
        };
        cloth.grown(&cloth.grown(&patch)).iter().all(far).then_some((patch, joint))
    });
    let (patch, joint) = found?;
    for point in &patch {
        cloth.blend(*point, joint, site.amount)?;
    }
    Some(Planted {
        subjects: vec![site.pointer(joint)],
        what: format!("points {patch:?} follow {} by {}", site.name(joint), site.amount),
        document: cloth.done(),
    })
}

/// A few points follow a joint whose skin lies on the other side of a gap.
fn leak(site: &mut Site<'_>) -> Option<Planted> {
    let mut cloth = Cloth::new(site)?;
    let (points, joints) = (cloth.points(), cloth.joints(site));
    let (surface, s) = (cloth.surface, cloth.facts.s());
    let many = 1 + site.random.below(5);
    let dominant = &cloth.facts.skinning().dominant;
    let mut own: Vec<Vec<u32>> = vec![Vec::new(); cloth.facts.rig().joints.len()];
    for point in &points {
        own[dominant[*point as usize] as usize].push(*point);
    }
    let found = (0..200).find_map(|_| {
        let (start, joint) = (site.random.pick(&points)?, site.random.pick(&joints)?);
        // Nearer than what a joint's own skin reaches: farther away it is a weight gone astray.
        let (distance, reach) = apart(&cloth, joint, start)?;
        if distance > 2.8 * reach || cloth.weight(start, joint) > 0.0 {
            return None;
        }
        let place = surface.points[start as usize];
        let mine = own[joint.index()].iter().map(|at| surface.points[*at as usize].distance_squared(place));
        let straight = mine.min_by(f64::total_cmp)?.sqrt();
        let patch = cloth.around(start, many);
        let bare = |point: &u32| cloth.sound(*point) && cloth.weight(*point, joint) == 0.0;
        let close = |point: &u32| apart(&cloth, joint, *point).is_some_and(|one| one.0 < 2.8 * one.1);
        let rim = cloth.grown(&cloth.grown(&patch));
        let other = |point: &u32| surface.shell_of[*point as usize] == surface.shell_of[start as usize];
        let together = own[joint.index()].iter().all(other);
        if !rim.iter().all(bare) || !together || !patch.iter().all(close) {
            return None;
        }
        let most = (3.5 * straight).max(0.06 * s) + 0.02 * s;
        let wanted = |point: u32| cloth.weight(point, joint) > 0.0;
        (walk(surface, &patch, most, &mut { usize::MAX }, wanted) == Walk::Beyond).then_some((patch, joint))
    });
    let (patch, joint) = found?;
    for point in &patch {
        cloth.blend(*point, joint, site.amount)?;
    }
    Some(Planted {
        subjects: vec![site.pointer(joint)],
        what: format!("points {patch:?} follow {} by {} across a gap", site.name(joint), site.amount),
        document: cloth.done(),
    })
}

/// A box on the skin: its one half follows a joint by so much more than the other half does.
pub(in super::super) struct Bead {
    pub(in super::super) at: DVec3,
    /// Half its width, metres.
    pub(in super::super) half: f64,
    /// Unit length: across the two halves.
    pub(in super::super) along: DVec3,
}

impl Bead {
    /// Adds it to the mesh of a point; the joint's weight is `low` on one half and `high` on the other, the rest is the
    /// owner's.
    pub(in super::super) fn add(
        &self,
        cloth: &mut Cloth<'_>,
        point: u32,
        (joint, owner): (JointId, JointId),
        (low, high): (f64, f64),
    ) -> Option<usize> {
        let vertex = cloth.surface.members(point)[0];
        let part = &cloth.surface.parts[cloth.surface.part_of(vertex)];
        let skin = part.skin?;
        let into = cloth.facts.bind().skins[skin.index()].mesh_to_world.inverse();
        let mesh = part.mesh.index();
        let side = self.along.any_orthonormal_vector();
        let axes = [self.along, side, self.along.cross(side)];
        let mut rows = Vec::new();
        for share in [low, high] {
            let row = [(joint, share as f32), (owner, (1.0 - share) as f32)];
            let mut row = cloth.slots(vertex, &row)?;
            row.retain(|one| one.1 > 0.0);
            rows.push(row);
        }
        let list = &mut cloth.scene.meshes[mesh];
        let first = list.positions.len() as u32;
        for corner in 0..8_usize {
            let sign = |axis: usize| if corner >> axis & 1 == 1 { self.half } else { -self.half };
            let place = (0..3).fold(self.at, |place, axis| place + axes[axis] * sign(axis));
            list.positions.push(into.transform_point3(place).to_array().map(|c| c as f32));
            if !list.normals.is_empty() {
                list.normals.push([0.0, 1.0, 0.0]);
            }
            if !list.colours.is_empty() {
                list.colours.push([255; 4]);
            }
            list.influences.push(rows[corner & 1].clone());
        }
        let faces = [[0, 2, 3, 1], [4, 5, 7, 6], [0, 1, 5, 4], [2, 6, 7, 3], [0, 4, 6, 2], [1, 3, 7, 5]];
        for [a, b, c, d] in faces {
            list.indices.extend([a, b, c, a, c, d].map(|corner: u32| first + corner));
        }
        Some(mesh)
    }
}

/// The unit normal of the skin at a point, from the triangles that use it.
pub(in super::super) fn normal(cloth: &Cloth<'_>, point: u32) -> Option<DVec3> {
    let surface = cloth.surface;
    let uses = |triangle: &u32| surface.corner_points(*triangle).contains(&point);
    let normals = (0..surface.triangles.len() as u32).filter(uses).map(|triangle| {
        let [a, b, c] = surface.corner_points(triangle).map(|at| surface.points[at as usize]);
        (b - a).cross(c - a)
    });
    normals.sum::<DVec3>().try_normalize()
}

/// A small box beside the body follows two joints unevenly.
fn loose_island(site: &mut Site<'_>) -> Option<Planted> {
    let mut cloth = Cloth::new(site)?;
    let points = cloth.points();
    let (facts, s) = (cloth.facts, cloth.facts.s());
    let found = (0..40).find_map(|_| {
        let point = site.random.pick(&points)?;
        let owner = cloth.owner(point);
        let up = facts.tree().parent[owner.index()].filter(|up| facts.deforms(*up));
        let near: Vec<JointId> = up.into_iter().chain(cloth.children(owner)).collect();
        let joint = site.random.pick(&near)?;
        // Both have far more skin of their own than the eight corners.
        let rich =
            |joint: JointId| facts.reach().radius[joint.index()].is_some_and(|radius| radius.dominated > 20);
        if !rich(joint) || !rich(owner) {
            return None;
        }
        let half = (0.004 + 0.006 * site.random.unit()) * s;
        let along = site.random.direction();
        let at = cloth.surface.points[point as usize] + normal(&cloth, point)? * (2.5 * half);
        let clear = [joint, owner]
            .iter()
            .all(|one| facts.reach().distance(facts.origin(*one), *one, at) > 2.6 * half);
        clear.then_some((point, joint, owner, Bead { at, half, along }))
    });
    let (point, joint, owner, bead) = found?;
    let low = (1.0 - site.amount) * site.random.unit();
    let mesh = bead.add(&mut cloth, point, (joint, owner), (low, low + site.amount))?;
    Some(Planted {
        subjects: vec![format!("/meshes/{mesh}")],
        what: format!(
            "a box beside mesh {mesh} follows {} and {}, spread by {}",
            site.name(joint),
            site.name(owner),
            site.amount
        ),
        document: cloth.done(),
    })
}
