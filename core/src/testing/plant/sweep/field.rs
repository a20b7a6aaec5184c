//! Faults in how the skin around a joint follows it.

use std::collections::BTreeSet;

use super::bends;
use crate::model::JointId;
use crate::testing::Mutation;
use crate::testing::plant::cloth::{Cloth, Row};
use crate::testing::plant::{Planted, Planter, Site};

pub(in super::super) const PLANTERS: &[Planter] = &[
    Planter {
        check: "sweep/bump",
        band: Some("bumps"),
        plan: false,
        gltf: true,
        far: Some(20.0),
        plant: bump,
    },
    Planter { check: "sweep/collapse", band: None, plan: false, gltf: true, far: None, plant: collapse },
    Planter {
        check: "sweep/left-behind",
        band: Some("deep"),
        plan: false,
        gltf: true,
        far: Some(3.0),
        plant: left_behind,
    },
];

/// Points of a falloff that do not touch each other stand out from all around them.
fn bump(site: &mut Site<'_>) -> Option<Planted> {
    let mut cloth = Cloth::new(site)?;
    let points = cloth.points();
    if !bends(&cloth, &points) {
        return None;
    }
    let facts = cloth.facts;
    let joints: Vec<JointId> = cloth.joints(site);
    let joint = site.draw(&joints)?;
    let up = facts.tree().parent[joint.index()].filter(|up| facts.deforms(*up))?;
    let below = cloth.below(joint);
    let share = |point: u32| cloth.share(point, &below);
    let falloff: Vec<u32> =
        points.iter().copied().filter(|point| (0.02..0.98).contains(&share(*point))).collect();
    // Four of a hundred, and three at least, is the limit: where there are fewer points three are more than that.
    let needed = 3.0 / (1.5 * site.limit / 100.0);
    if (falloff.len() as f64) < needed {
        return None;
    }
    let range = |point: u32| {
        let next = cloth.surface.edges().neighbours(point).iter().map(|next| share(*next));
        next.fold((1.0_f64, 0.0_f64), |(low, high), share| (low.min(share), high.max(share)))
    };
    let stands_out = |point: &u32| {
        let (low, high) = range(*point);
        share(*point) > high + 0.04 || share(*point) < low - 0.04
    };
    if falloff.iter().any(stands_out) {
        return None;
    }
    // Where only the joint and its parent pull, no other joint's falloff changes.
    let two: Vec<u32> = falloff
        .iter()
        .copied()
        .filter(|point| {
            let around = cloth.surface.edges().neighbours(*point);
            let sound = around.len() >= 3 && around.iter().all(|next| cloth.sound(*next));
            sound && cloth.row(*point).iter().all(|one| one.0 == joint || one.0 == up)
        })
        .collect();
    let wanted = site.amount / 100.0 * falloff.len() as f64;
    let count = if site.amount > site.limit { wanted.ceil().max(3.0) } else { wanted.floor() } as usize;
    let mut left = two;
    let mut closed: BTreeSet<u32> = BTreeSet::new();
    let mut changes = Vec::new();
    while changes.len() < count && !left.is_empty() {
        let point = left.swap_remove(site.random.below(left.len()));
        let (low, high) = range(point);
        let to = if high < 0.8 { high + 0.12 } else { low - 0.12 };
        if closed.contains(&point) || !(0.03..0.97).contains(&to) {
            continue;
        }
        closed.extend(cloth.grown(&[point]));
        changes.push((point, to));
    }
    if changes.len() < count || count == 0 {
        return None;
    }
    for (point, to) in changes {
        cloth.set(point, &[(joint, to as f32), (up, (1.0 - to) as f32)])?;
    }
    Some(Planted {
        subjects: vec![site.pointer(joint)],
        what: format!("{count} of {} points of the falloff of {} stand out", falloff.len(), site.name(joint)),
        document: cloth.done(),
    })
}

/// A joint within a limb stands beside it, by about the length over which the skin bends: on a turn the limb slides by
/// most of that, and folds.
fn collapse(site: &mut Site<'_>) -> Option<Planted> {
    let cloth = Cloth::new(site)?;
    let points = cloth.points();
    if !bends(&cloth, &points) {
        return None;
    }
    let facts = cloth.facts;
    let inner: Vec<JointId> = cloth
        .joints(site)
        .into_iter()
        .filter(|joint| cloth.children(*joint).len() == 1 && site.at_bind(*joint))
        .filter(|joint| facts.tree().parent[joint.index()].is_some_and(|up| facts.deforms(up)))
        .filter(|joint| facts.bind().joints[joint.index()].from_matrix)
        .collect();
    let joint = site.draw(&inner)?;
    let below = cloth.below(joint);
    let origin = facts.origin(joint);
    let end = facts.origin(cloth.children(joint)[0]);
    let along = (end - origin).try_normalize()?;
    // The skin that bends there: all around the limb, and along it from where to where.
    let (mut across, mut middle) = (Vec::new(), glam::DVec3::ZERO);
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for point in &points {
        if (0.02..0.98).contains(&cloth.share(*point, &below)) {
            let arm = cloth.surface.points[*point as usize] - origin;
            let (height, off) = (arm.dot(along), arm - along * arm.dot(along));
            (low, high) = (low.min(height), high.max(height));
            across.push(off.length());
            middle += off;
        }
    }
    across.sort_by(f64::total_cmp);
    let ring = *across.get(across.len() / 2)?;
    let by = 0.95 * (high - low);
    // No patch on one side, none so short that the joint beside it has nothing around, and the limb still its length.
    let round = middle.length() < 0.25 * ring * across.len() as f64;
    let around = 2.1 * ring * ring * (high - low) > 0.26 * (by * by + ring * ring).powf(1.5);
    if across.len() < 12 || !round || !around || end.distance(origin) < 2.0 * by || by < 1.5 * ring {
        return None;
    }
    let basis = facts.bind().joints[joint.index()].basis;
    let axes = [basis.x_axis, basis.y_axis, basis.z_axis];
    let side = axes.into_iter().min_by(|a, b| a.dot(along).abs().total_cmp(&b.dot(along).abs()))?;
    let side = (side - along * side.dot(along)).try_normalize()?;
    let side = if site.random.below(2) == 0 { side } else { along.cross(side) } * site.random.sign();
    let fault = Mutation::Move { joint: site.name(joint).to_owned(), by: side * by };
    Some(Planted {
        document: site.mutate(&fault)?,
        subjects: vec![site.pointer(joint)],
        what: format!("{} stands {by:.3} m beside its limb, {:.1} of its radii", site.name(joint), by / ring),
    })
}

/// A patch amid what a joint moves stays with the joint above it.
fn left_behind(site: &mut Site<'_>) -> Option<Planted> {
    let mut cloth = Cloth::new(site)?;
    let points = cloth.points();
    if !bends(&cloth, &points) {
        return None;
    }
    let facts = cloth.facts;
    let areas = cloth.areas();
    let all: f64 = points.iter().map(|point| areas[*point as usize]).sum();
    let mut fans = vec![0_usize; cloth.surface.points.len()];
    for triangle in 0..cloth.surface.triangles.len() as u32 {
        cloth.surface.corner_points(triangle).into_iter().for_each(|at| fans[at as usize] += 1);
    }
    let wanted = site.amount / 100.0 * all;
    let above = site.amount > site.limit;
    let found = (0..20).find_map(|_| {
        let start = site.random.pick(&points)?;
        let joint = cloth.owner(start);
        let up = facts.tree().parent[joint.index()].filter(|up| facts.deforms(*up))?;
        if !site.unique(joint) {
            return None;
        }
        let below = cloth.below(joint);
        let (mut patch, mut area) = (Vec::new(), 0.0);
        for point in cloth.around(start, points.len()) {
            let new = areas[point as usize];
            if !above && area + new > 0.9 * wanted {
                break;
            }
            patch.push(point);
            area += new;
            // Fewer than three points are a speck.
            if above && area >= wanted && patch.len() > 2 {
                break;
            }
        }
        // The joint's own, all around as well, and nearer to it than to any other.
        let nearest = |point: &u32| {
            let place = cloth.surface.points[*point as usize];
            let to = |joint: JointId| facts.reach().distance(facts.origin(joint), joint, place);
            let mine = to(joint);
            (0..below.len())
                .map(JointId::new)
                .all(|other| below[other.index()] || !facts.deforms(other) || to(other) > 1.02 * mine)
        };
        let own = patch.iter().all(|point| cloth.owner(*point) == joint && nearest(point));
        let rim = cloth.grown(&patch);
        let moves = rim.iter().all(|point| cloth.sound(*point) && cloth.share(*point, &below) > 0.92);
        // Surrounded: on no open border of the skin, and small against what moves of its shell.
        let shell = |point: u32| cloth.surface.shell_of[point as usize];
        let moving = points
            .iter()
            .filter(|point| shell(**point) == shell(start) && cloth.share(**point, &below) >= 0.5)
            .count();
        let closed = |point: &u32| cloth.surface.edges().neighbours(*point).len() == fans[*point as usize];
        if patch.len() * 7 > moving || !rim.iter().all(closed) {
            return None;
        }
        let large = if above { area >= wanted && patch.len() > 2 } else { !patch.is_empty() };
        (own && moves && large).then_some((patch, joint, up))
    });
    let (patch, joint, up) = found?;
    let row: Row = vec![(up, 1.0)];
    for point in &patch {
        cloth.set(*point, &row)?;
    }
    Some(Planted {
        subjects: vec![site.pointer(joint)],
        what: format!(
            "{} points amid the skin of {} follow {}",
            patch.len(),
            site.name(joint),
            site.name(up)
        ),
        document: cloth.done(),
    })
}
