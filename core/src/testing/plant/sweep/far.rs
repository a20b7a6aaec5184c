//! Weight of a joint far away: what it drags, pulls, and turns inside out.

use std::collections::BTreeSet;

use super::{ACROSS, CHORD, Region, arm, bends};
use crate::model::JointId;
use crate::testing::plant::cloth::Cloth;
use crate::testing::plant::{Planted, Planter, Site};

pub(in super::super) const PLANTERS: &[Planter] = &[
    Planter { check: "sweep/drag", band: None, plan: false, gltf: true, far: Some(0.15), plant: drag },
    Planter {
        check: "sweep/inversion",
        band: Some("inversion"),
        plan: false,
        gltf: true,
        far: Some(5.0),
        plant: inversion,
    },
    Planter { check: "sweep/leak", band: Some("gap"), plan: false, gltf: true, far: Some(0.1), plant: leak },
    Planter {
        check: "sweep/stretch",
        band: Some("stretched"),
        plan: false,
        gltf: true,
        far: Some(5.0),
        plant: stretch,
    },
];

/// A few points and a joint far from them, whose arm lies in a window, fractions of S.
fn place(
    site: &mut Site<'_>,
    cloth: &Cloth<'_>,
    points: &[u32],
    window: &std::ops::Range<f64>,
    many: usize,
) -> Option<(Vec<u32>, JointId, f64)> {
    let joints = cloth.joints(site);
    let s = cloth.facts.s();
    (0..60).find_map(|_| {
        let (start, joint) = (site.random.pick(points)?, site.random.pick(&joints)?);
        let place = cloth.surface.points[start as usize];
        if !window.contains(&(cloth.facts.origin(joint).distance(place) / s)) {
            return None;
        }
        let patch = cloth.around(start, many);
        let rim = cloth.grown(&cloth.grown(&patch));
        let region = Region::of(cloth, points, joint)?;
        let far = patch.iter().all(|at| {
            let place = cloth.surface.points[*at as usize];
            region.distance(cloth, place) > 2.0 * region.radius
        });
        if !region.leaves(cloth, &rim) || !far {
            return None;
        }
        let arms: Option<Vec<f64>> = patch.iter().map(|at| arm(cloth, joint, *at)).collect();
        let longest = arms?.into_iter().fold(0.0, f64::max);
        Some((patch, joint, longest))
    })
}

/// A patch moves a little with a joint far away.
fn leak(site: &mut Site<'_>) -> Option<Planted> {
    let mut cloth = Cloth::new(site)?;
    let points = cloth.points();
    if !bends(&cloth, &points) {
        return None;
    }
    let many = 1 + site.random.below(6);
    let (patch, joint, longest) = place(site, &cloth, &points, &(0.28..0.6), many)?;
    let weight = site.amount * cloth.facts.s() / (CHORD * ACROSS * longest);
    for point in &patch {
        cloth.blend(*point, joint, weight)?;
    }
    Some(Planted {
        subjects: vec![site.pointer(joint)],
        what: format!("points {patch:?} follow {} by {weight:.3}, {longest:.3} m away", site.name(joint)),
        document: cloth.done(),
    })
}

/// A patch of a joint that has nothing to do with another one moves along with that.
fn drag(site: &mut Site<'_>) -> Option<Planted> {
    let mut cloth = Cloth::new(site)?;
    let points = cloth.points();
    if !bends(&cloth, &points) {
        return None;
    }
    let many = 1 + site.random.below(12);
    let (patch, joint, longest) = place(site, &cloth, &points, &(0.46..0.95), many)?;
    let reach = cloth.facts.reach();
    let below = cloth.below(joint);
    // Whose skin it is: of joints whose skin does not meet that of what turns along, on points that are all theirs.
    let meets = |owner: JointId| {
        reach.near(owner, joint)
            || reach
                .shared
                .keys()
                .any(|(a, b)| (*a == owner && below[b.index()]) || (*b == owner && below[a.index()]))
    };
    let own = patch.iter().all(|point| {
        let owner = cloth.owner(*point);
        cloth.weight(*point, owner) > 0.98 && !meets(owner)
    });
    let weight = site.amount * cloth.facts.s() / (CHORD * ACROSS * longest);
    if !own || weight > 0.48 {
        return None;
    }
    for point in &patch {
        cloth.blend(*point, joint, weight)?;
    }
    Some(Planted {
        subjects: vec![site.pointer(joint)],
        what: format!("points {patch:?} follow {} by {weight:.3}, {longest:.3} m away", site.name(joint)),
        document: cloth.done(),
    })
}

/// Points that do not touch each other, far from a joint, until the triangles around them are so much of all skin; and
/// that joint. Each will go farther than four times the longest side of its triangles.
fn scattered(
    site: &mut Site<'_>,
    cloth: &Cloth<'_>,
    points: &[u32],
    share: f64,
    above: bool,
) -> Option<(Vec<u32>, JointId)> {
    let joints: Vec<JointId> =
        cloth.joints(site).into_iter().filter(|joint| cloth.children(*joint).len() < 2).collect();
    let surface = cloth.surface;
    let mut around: Vec<Vec<u32>> = vec![Vec::new(); surface.points.len()];
    let mut all = 0.0;
    for triangle in 0..surface.triangles.len() as u32 {
        all += cloth.area(triangle);
        surface.corner_points(triangle).into_iter().for_each(|at| around[at as usize].push(triangle));
    }
    (0..30).find_map(|_| {
        let (start, joint) = (site.random.pick(points)?, site.random.pick(&joints)?);
        let origin = cloth.facts.origin(joint);
        let arm = |at: u32| origin.distance(surface.points[at as usize]);
        if arm(start) < 0.25 * cloth.facts.s() {
            return None;
        }
        let region = Region::of(cloth, points, joint)?;
        // Where limbs part the stretch is not told.
        let branch = |at: usize| region.below[at] && cloth.children(JointId::new(at)).len() > 1;
        if branch(joint.index()) {
            return None;
        }
        let (mut taken, mut touched, mut area) = (Vec::new(), BTreeSet::new(), 0.0);
        let mut closed: BTreeSet<u32> = BTreeSet::new();
        for point in cloth.around(start, 4_000) {
            let next = surface.edges().neighbours(point);
            let place = surface.points[point as usize];
            let side = next.iter().map(|at| surface.points[*at as usize].distance(place)).fold(0.0, f64::max);
            let fine = 4.0 * side < PART * CHORD * 0.8 * arm(point) && arm(point) > 2.5 * region.radius;
            let ring = cloth.grown(&[point]);
            if closed.contains(&point) || !fine || !region.leaves(cloth, &ring) || next.len() < 3 {
                continue;
            }
            let new: f64 = around[point as usize]
                .iter()
                .filter(|triangle| !touched.contains(*triangle))
                .map(|triangle| cloth.area(*triangle))
                .sum();
            if !above && area + new > share * all {
                continue;
            }
            area += new;
            touched.extend(around[point as usize].iter().copied());
            closed.extend(ring);
            taken.push(point);
            if above && area >= share * all {
                break;
            }
        }
        let enough = if above { area >= share * all } else { area > 0.5 * share * all };
        enough.then_some((taken, joint))
    })
}

/// Less than half: what follows by more is a joint's own.
const PART: f64 = 0.45;

/// Scattered points follow a joint far away by nearly half.
fn half_follow(site: &mut Site<'_>, times: f64) -> Option<Planted> {
    let mut cloth = Cloth::new(site)?;
    let points = cloth.points();
    if !bends(&cloth, &points) {
        return None;
    }
    let above = site.amount > site.limit;
    let share = site.amount / 100.0 * if above { times } else { 1.0 };
    let (taken, joint) = scattered(site, &cloth, &points, share, above)?;
    // Damage adds up: those that move these points have next to none yet.
    let worn = cloth.facts.sweep().joints.iter().any(|swept| {
        let below = cloth.below(swept.joint);
        let touches = below[joint.index()] || taken.iter().any(|point| cloth.share(*point, &below) > 0.0);
        let amounts = swept.damage.map(|damage| [damage.stretched, damage.squeezed, damage.inverted]);
        let worst = amounts.into_iter().flatten().flatten().map(|worst| worst.amount).fold(0.0, f64::max);
        touches && worst * 100.0 > 0.4 * site.limit
    });
    if worn {
        return None;
    }
    // What they follow less now shows the same damage.
    let mut subjects = vec![site.pointer(joint)];
    subjects.extend(taken.iter().map(|point| site.pointer(cloth.owner(*point))));
    subjects.sort();
    subjects.dedup();
    for point in &taken {
        cloth.blend(*point, joint, PART)?;
    }
    Some(Planted {
        subjects,
        what: format!(
            "{} points, with their triangles {:.2} % of the skin, follow {} by {PART}",
            taken.len(),
            share * 100.0,
            site.name(joint)
        ),
        document: cloth.done(),
    })
}

/// Every triangle at such a point is pulled to several times its length.
fn stretch(site: &mut Site<'_>) -> Option<Planted> {
    half_follow(site, 1.0)
}

/// Of the triangles at such a point about half are turned over, those on the side that it goes to.
fn inversion(site: &mut Site<'_>) -> Option<Planted> {
    half_follow(site, 4.5)
}
