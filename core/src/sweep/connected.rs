//! Skin that moves where it should stay, and stays where it should move: what shows in how the field hangs together.

use glam::DVec3;

use super::field::Field;
use super::ground::Ground;
use super::poses::{ANGLE, Axis, lift};
use crate::body::NOWHERE;
use crate::model::JointId;

/// Following that counts as moving along.
const MOVES: f32 = 0.03;
/// A patch that follows more than this belongs to the joint.
const BELONGS: f32 = 0.6;
/// Radii of the joint's border within which everything is its own.
pub(super) const FAR: f64 = 1.5;
/// A border nearer to the joint says nothing about its size, fraction of S.
const LEAST_RADIUS: f64 = 0.005;
/// Displacement from which a patch is looked at, fraction of S: a fifth of what any band asks for.
const LEAST: f64 = 0.002;
/// Area from which a hole is looked at, fraction of the body: a fifth of what any band asks for.
const LEAST_AREA: f64 = 0.0002;
/// A deep hole follows less than this on average, while what is around it follows more than that.
const DEEP: [f64; 2] = [0.1, 0.8];
/// The same for a hole that may lie nearer to another joint's segments; there all around it follows more than the third.
const SHEER: [f64; 3] = [0.1, 0.95, 0.9];
/// Area from which a deep hole is looked at, fraction of the body.
const LEAST_DEEP: f64 = 0.000_01;
/// Points of a deep hole; fewer are a speck.
const DEEP_POINTS: usize = 3;
/// A hole is smaller than what moves of its shell by this factor, where nothing of the shell stays.
const SMALL_HOLE: usize = 6;
/// Patches of a joint that are looked at, the ones that move most first.
const MOST: usize = 64;
/// Points of a patch whose distance is taken, and points that a finding lists.
const SAMPLES: usize = 32;
/// Points of a patch that are kept.
const KEPT: usize = 4_096;
/// Segments that all patches of a joint are compared with, times samples.
const LOOKS: usize = 2_000_000;

/// Skin apart from the joint's own that follows a little.
#[derive(Debug, Clone)]
pub struct Leak {
    /// The joint that is turned.
    pub posed: JointId,
    /// The joint at or below it that has most of the weight there.
    pub culprit: JointId,
    /// The joint with the largest weight there.
    pub owner: Option<JointId>,
    /// How far the worst point goes at 45°, metres.
    pub moved: f64,
    /// About which axis.
    pub axis: Axis,
    /// How much the worst point follows.
    pub share: f32,
    /// The worst point.
    pub peak: u32,
    /// Points, ascending, the first few thousand.
    pub points: Vec<u32>,
    /// It stays 1.5 times as far away as the joint's border is from the joint.
    pub(super) beyond_border: bool,
    /// It stays farther from the joint's segments than nine tenths of the joint's own skin, and is no half of a shell of its
    /// own.
    pub(super) across_gap: bool,
}

/// Skin inside what moves that stays.
#[derive(Debug, Clone)]
pub struct Hole {
    /// The joint that is turned.
    pub posed: JointId,
    /// The joint that holds it.
    pub owner: Option<JointId>,
    /// Its area, as a share of the body.
    pub share: f64,
    /// Its point that follows least.
    pub peak: u32,
    /// Points, ascending.
    pub points: Vec<u32>,
    /// How much it follows, mean over its area.
    pub follows: f64,
    /// How much the points around it follow that do follow, mean.
    pub around: f64,
    /// It lies amid what moves, and is no side of a shell that stays.
    pub(super) enclosed: bool,
    /// It follows nearly nothing of what everything around it follows.
    pub(super) deep: bool,
}

/// Patches that move along with a joint, away from it.
pub(super) fn leaks(
    ground: &Ground<'_, '_>,
    field: &mut Field,
    joint: JointId,
    radius: Option<f64>,
) -> Vec<Leak> {
    let (surface, facts) = (ground.surface, ground.facts);
    let (origin, axes, s) = (facts.origin(joint), super::poses::axes(facts, joint), facts.s());
    field.forget();
    let mut found: Vec<(f64, u32, Vec<u32>)> = Vec::new();
    let mut patch: Vec<u32> = Vec::new();
    for at in 0..field.points.len() {
        let start = field.points[at];
        if field.at(start) <= MOVES || surface.shell_of[start as usize] == NOWHERE || !field.first(start) {
            continue;
        }
        patch.clear();
        patch.push(start);
        let (mut head, mut most, mut worst) = (0, 0.0_f32, (0.0_f64, start));
        while head < patch.len() {
            let point = patch[head];
            head += 1;
            let share = field.at(point);
            most = most.max(share);
            let follows = ground.blend.follows(f64::from(share), ANGLE);
            let moved = follows * lift(&axes, origin, surface.points[point as usize], ANGLE).0;
            if moved > worst.0 {
                worst = (moved, point);
            }
            for next in surface.edges().neighbours(point) {
                if field.at(*next) > MOVES && field.first(*next) {
                    patch.push(*next);
                }
            }
        }
        let whole = surface.shells[surface.shell_of[start as usize] as usize].points as usize == patch.len();
        if most <= BELONGS && !whole && worst.0 > LEAST * s {
            patch.sort_unstable();
            found.push((worst.0, worst.1, patch.clone()));
        }
    }
    if found.is_empty() {
        return Vec::new();
    }
    found.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
    let mut looks = LOOKS;
    let mut leaks = Vec::new();
    let thickness = thickness(ground, field, joint);
    let mut own_shells: Vec<u32> = Vec::new();
    for point in field.points.iter().filter(|point| field.at(**point) >= 0.5) {
        own_shells.push(surface.shell_of[*point as usize]);
    }
    own_shells.sort_unstable();
    own_shells.dedup();
    for (moved, peak, mut points) in found.into_iter().take(MOST) {
        let cost = SAMPLES.min(points.len()) * ground.tour.below(joint).len();
        if cost > looks {
            break;
        }
        looks -= cost;
        let nearest = sample(&points)
            .map(|point| ground.below_distance(joint, surface.points[point as usize]))
            .fold(f64::INFINITY, f64::min);
        let shell = surface.shell_of[peak as usize];
        let most_of_it = points.len() * 2 > surface.shells[shell as usize].points as usize;
        let apart = own_shells.binary_search(&shell).is_ok() || !most_of_it;
        let beyond_border = radius.is_some_and(|radius| nearest > FAR * radius);
        let across_gap = apart && thickness.is_some_and(|thickness| nearest > thickness);
        if !beyond_border && !across_gap {
            continue;
        }
        points.truncate(KEPT);
        let (_, axis) = lift(&axes, origin, surface.points[peak as usize], ANGLE);
        leaks.push(Leak {
            posed: joint,
            culprit: ground.heaviest_below(joint, peak).unwrap_or(joint),
            owner: ground.owner(peak),
            moved,
            axis,
            share: field.at(peak),
            peak,
            points,
            beyond_border,
            across_gap,
        });
    }
    leaks
}

/// How far nine tenths of a joint's own skin lie from its segments and those below it, metres.
fn thickness(ground: &Ground<'_, '_>, field: &Field, joint: JointId) -> Option<f64> {
    let own: Vec<u32> = field.points.iter().copied().filter(|point| field.at(*point) >= 0.5).collect();
    let many = (LOOKS / ground.tour.below(joint).len().max(1)).max(1);
    let step = own.len().div_ceil(many).max(1);
    let mut list: Vec<f64> = own
        .iter()
        .step_by(step)
        .map(|point| ground.below_distance(joint, ground.surface.points[*point as usize]))
        .collect();
    if list.is_empty() {
        return None;
    }
    let rank = (list.len() * 9 / 10).min(list.len() - 1);
    let distance = *list.select_nth_unstable_by(rank, f64::total_cmp).1;
    Some(distance.max(LEAST_RADIUS * ground.facts.s()))
}

/// Patches that stay, surrounded by what follows the joint.
pub(super) fn holes(ground: &Ground<'_, '_>, field: &mut Field, joint: JointId) -> Vec<Hole> {
    let surface = ground.surface;
    let stays = |field: &Field, point: u32| ground.columns.known[point as usize] && field.at(point) < 0.5;
    // A hole is smaller than what surrounds it: a search that grows past that has met the side that stays.
    let moved = field.points.iter().filter(|point| field.at(**point) >= 0.5).count();
    let mut budget = 6 * moved + 64;
    field.forget();
    // By shell: the largest patch that ended, which is the side that stays if no search grew too large.
    let mut ended: Vec<(u32, f64, Vec<u32>)> = Vec::new();
    let mut endless: Vec<u32> = Vec::new();
    let mut patch: Vec<u32> = Vec::new();
    for at in 0..field.points.len() {
        let rim = field.points[at];
        if field.at(rim) < 0.5 {
            continue;
        }
        for start in surface.edges().neighbours(rim) {
            if budget == 0 || !stays(field, *start) || !field.first(*start) {
                continue;
            }
            let shell = surface.shell_of[*start as usize];
            patch.clear();
            patch.push(*start);
            let mut head = 0;
            while head < patch.len() && patch.len() <= moved && budget > 0 {
                let point = patch[head];
                head += 1;
                budget -= 1;
                for next in surface.edges().neighbours(point) {
                    if stays(field, *next) && field.first(*next) {
                        patch.push(*next);
                    }
                }
            }
            if head < patch.len() {
                endless.push(shell);
                continue;
            }
            let area: f64 = patch.iter().map(|point| ground.area[*point as usize]).sum();
            patch.sort_unstable();
            ended.push((shell, area, patch.clone()));
        }
    }
    if ended.is_empty() {
        return Vec::new();
    }
    // Shells of the points that move, so that how many of a shell do is told at once.
    let moving = field.points.iter().filter(|point| field.at(**point) >= 0.5);
    let mut shells: Vec<u32> = moving.map(|point| surface.shell_of[*point as usize]).collect();
    shells.sort_unstable();
    endless.sort_unstable();
    let mut holes = Vec::new();
    ended.sort_by(|a, b| a.0.cmp(&b.0).then(b.1.total_cmp(&a.1)).then(a.2.cmp(&b.2)));
    let mut last = None;
    let mut looks = LOOKS;
    for (shell, area, mut points) in ended {
        let largest = last.replace(shell) != Some(shell);
        // What alone stays of its shell.
        let base = largest && endless.binary_search(&shell).is_err();
        let small = points.len() * SMALL_HOLE < count(&shells, shell);
        let main = base && !(small && closed(ground, &points));
        let share = area / ground.body_area;
        let cost = SAMPLES.min(points.len()) * ground.tour.order.len();
        if cost > looks {
            continue;
        }
        let (follows, around, lowest) = contrast(ground, field, &points);
        let large = points.len() >= DEEP_POINTS && share >= LEAST_DEEP && points.len() * 2 < moved;
        let sheer = large && follows < SHEER[0] && around > SHEER[1] && lowest > SHEER[2] && small;
        let steep = large && follows < DEEP[0] && around > DEEP[1];
        if !sheer && !steep && (main || share < LEAST_AREA) {
            continue;
        }
        looks -= cost;
        // Skin that lies nearer to another joint's segments is that joint's, hole or not.
        let (mut inside, mut total) = (0, 0);
        for point in sample(&points) {
            total += 1;
            inside += usize::from(ground.nearest_is_below(joint, surface.points[point as usize]));
        }
        let near = inside * 2 > total;
        let enclosed = near && !main && share >= LEAST_AREA;
        let deep = (sheer || (steep && near)) && !limb(ground, field, joint, &points, base);
        if !enclosed && !deep {
            continue;
        }
        points.truncate(KEPT);
        let least = |a: u32, b: u32| if field.at(b) < field.at(a) { b } else { a };
        let Some(peak) = points.iter().copied().reduce(least) else { continue };
        let owner = ground.owner(peak);
        holes.push(Hole { posed: joint, owner, share, peak, points, follows, around, enclosed, deep });
    }
    holes
}

/// Whether a patch has most of the skin of the joint that holds it, and is all that stays of its shell (`base`) or does not
/// lie beyond that joint, in what hangs from it: that is no hole but a limb of its own, such as a jaw amid a snout.
fn limb(ground: &Ground<'_, '_>, field: &Field, joint: JointId, points: &[u32], base: bool) -> bool {
    let least = |a: u32, b: u32| if field.at(b) < field.at(a) { b } else { a };
    let Some(owner) = points.iter().copied().reduce(least).and_then(|peak| ground.owner(peak)) else {
        return false;
    };
    let own = points.iter().filter(|point| ground.owner(**point) == Some(owner)).count();
    let reach = ground.facts.reach();
    if own * 2 <= reach.radius[owner.index()].map_or(0, |radius| radius.dominated) {
        return false;
    }
    if base || !ground.tour.hangs(joint, owner) {
        return true;
    }
    let (mut nearer, mut total) = (0, 0);
    for point in sample(points) {
        let place = ground.surface.points[point as usize];
        let apart = reach.distance(ground.facts.origin(owner), owner, place);
        total += 1;
        nearer += usize::from(apart < ground.below_distance(joint, place));
    }
    nearer * 2 > total
}

/// How much a patch follows, how much the points around it do that follow by a half and more, and the least of those.
fn contrast(ground: &Ground<'_, '_>, field: &Field, points: &[u32]) -> (f64, f64, f64) {
    let (mut sum, mut area) = (0.0, 0.0);
    let mut rim: Vec<u32> = Vec::new();
    for point in points {
        let own = ground.area[*point as usize].max(f64::MIN_POSITIVE);
        sum += own * f64::from(field.at(*point));
        area += own;
        let next = ground.surface.edges().neighbours(*point).iter().copied();
        rim.extend(next.filter(|next| field.at(*next) >= 0.5));
    }
    rim.sort_unstable();
    rim.dedup();
    let shares = rim.iter().map(|point| f64::from(field.at(*point)));
    let lowest = shares.clone().fold(1.0, f64::min);
    let around = if rim.is_empty() { 0.0 } else { shares.sum::<f64>() / rim.len() as f64 };
    (sum / area, around, lowest)
}

/// How often a number stands in a sorted list.
fn count(sorted: &[u32], number: u32) -> usize {
    sorted.partition_point(|one| *one <= number) - sorted.partition_point(|one| *one < number)
}

/// Whether a patch lies on no open border. Where it is also small against what moves of its shell, the shell moves as a whole
/// and has no side that stays.
fn closed(ground: &Ground<'_, '_>, points: &[u32]) -> bool {
    let open = |point: &u32| {
        let fan = ground.fans.at(*point).len();
        ground.surface.edges().neighbours(*point).len() != fan
    };
    !points.iter().any(open)
}

/// Some points of a list, spread evenly.
fn sample(points: &[u32]) -> impl Iterator<Item = u32> + '_ {
    points.iter().copied().step_by(points.len().div_ceil(SAMPLES).max(1))
}

/// Where a joint's border lies.
#[derive(Debug, Clone, Copy)]
pub(super) struct Border {
    /// Median distance from the joint's origin of edges on which the field passes one half, metres.
    pub(super) radius: f64,
    /// The same from the line along the joint.
    pub(super) ring: f64,
}

/// A joint's border, without those of `holes`; nothing where its field does not pass one half.
pub(super) fn border<'h>(
    ground: &Ground<'_, '_>,
    field: &Field,
    holes: impl Iterator<Item = &'h Hole>,
    origin: DVec3,
    along: DVec3,
) -> Option<Border> {
    let mut inside: Vec<u32> = holes.flat_map(|hole| hole.points.iter().copied()).collect();
    inside.sort_unstable();
    let surface = ground.surface;
    let mut list: Vec<f64> = Vec::new();
    let mut rings: Vec<f64> = Vec::new();
    for point in &field.points {
        let share = f64::from(field.at(*point));
        if share < 0.5 {
            continue;
        }
        for next in surface.edges().neighbours(*point) {
            let other = f64::from(field.at(*next));
            if other < 0.5 && ground.columns.known[*next as usize] && inside.binary_search(next).is_err() {
                let at = (share - 0.5) / (share - other);
                let arm = surface.points[*point as usize].lerp(surface.points[*next as usize], at) - origin;
                list.push(arm.length());
                rings.push((arm - along * arm.dot(along)).length());
            }
        }
    }
    if list.is_empty() {
        return None;
    }
    let middle = list.len() / 2;
    let median = |list: &mut Vec<f64>| *list.select_nth_unstable_by(middle, f64::total_cmp).1;
    let least = LEAST_RADIUS * ground.facts.s();
    Some(Border { radius: median(&mut list).max(least), ring: median(&mut rings).max(least) })
}
