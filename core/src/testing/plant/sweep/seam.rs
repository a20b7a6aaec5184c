//! Seams that open and beads that lose their shape.

use super::{ACROSS, CHORD, bends};
use crate::model::JointId;
use crate::testing::plant::cloth::{Cloth, blended};
use crate::testing::plant::skin::smooth::part_edge;
use crate::testing::plant::skin::stray::{Bead, normal};
use crate::testing::plant::{Planted, Planter, Site};

pub(in super::super) const PLANTERS: &[Planter] = &[
    Planter {
        check: "sweep/island",
        band: Some("loose"),
        plan: false,
        gltf: true,
        far: Some(60.0),
        plant: island,
    },
    Planter { check: "sweep/tear", band: Some("gap"), plan: false, gltf: true, far: Some(0.05), plant: tear },
];

/// Two copies of a point part so far when a joint is turned by a right angle.
fn tear(site: &mut Site<'_>) -> Option<Planted> {
    let mut cloth = Cloth::new(site)?;
    let points = cloth.points();
    if !bends(&cloth, &points) {
        return None;
    }
    let facts = cloth.facts;
    let found = (0..60).find_map(|_| {
        let point = site.random.pick(&points)?;
        let owner = cloth.owner(point);
        let child = site.random.pick(&cloth.children(owner))?;
        let arm = facts.origin(child).distance(cloth.surface.points[point as usize]);
        let alone = cloth.weight(point, owner) > 0.97 && cloth.weight(point, child) == 0.0;
        (alone && arm > 0.05 * facts.s()).then_some((point, child, arm))
    });
    let (point, child, arm) = found?;
    // √2 of the distance to the axis at 90°.
    let share = site.amount * facts.s() / (std::f64::consts::SQRT_2 * ACROSS * arm);
    if share > 0.95 {
        return None;
    }
    let (mesh, copy) = part_edge(&mut cloth, &mut site.random, point)?;
    let row = blended(&cloth.row(point), child, share)?;
    let slots = cloth.slots(cloth.surface.members(point)[0], &row)?;
    cloth.scene.meshes[mesh].influences[copy] = slots;
    Some(Planted {
        subjects: vec![format!("/meshes/{mesh}")],
        what: format!("two copies of point {point} differ by {share:.4} of {}", site.name(child)),
        document: cloth.done(),
    })
}

/// A bead on the skin follows a joint more on its one side than on the other.
fn island(site: &mut Site<'_>) -> Option<Planted> {
    let mut cloth = Cloth::new(site)?;
    let points = cloth.points();
    if !bends(&cloth, &points) {
        return None;
    }
    let (facts, s) = (cloth.facts, cloth.facts.s());
    let half = (0.006 + 0.004 * site.random.unit()) * s;
    let found = (0..60).find_map(|_| {
        let point = site.random.pick(&points)?;
        let owner = cloth.owner(point);
        let child: JointId = site.random.pick(&cloth.children(owner))?;
        let rich =
            |joint: JointId| facts.reach().radius[joint.index()].is_some_and(|radius| radius.dominated > 20);
        let at = cloth.surface.points[point as usize] + normal(&cloth, point)? * (2.5 * half);
        let arm = at - facts.origin(child);
        // Across the arm, so that one of the turns pulls the halves apart.
        let along = arm.cross(site.random.direction()).try_normalize()?;
        let fits = (6.0..13.0).contains(&(arm.length() / half));
        (rich(owner) && rich(child) && fits).then_some((point, owner, child, arm, Bead { at, half, along }))
    });
    let (point, owner, child, arm, bead) = found?;
    // Each half is half the way off, over the distance of a corner from the middle; the pull lies along the bead by
    // 0.58 to 1 of it.
    let spread = site.amount / 100.0 * 2.0 * 3.0_f64.sqrt() * half / (CHORD * 0.8 * arm.length());
    if spread > 1.0 {
        return None;
    }
    // From nothing on: what follows by half shrinks, however evenly.
    let mesh = bead.add(&mut cloth, point, (child, owner), (0.0, spread))?;
    Some(Planted {
        subjects: vec![format!("/meshes/{mesh}")],
        what: format!(
            "a bead on mesh {mesh} follows {} and {}, spread by {spread:.3}",
            site.name(child),
            site.name(owner)
        ),
        document: cloth.done(),
    })
}
