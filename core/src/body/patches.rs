//! Where a joint has weight apart from its own skin: the one place that tells a leak from a weight gone astray.
//!
//! The points on which a joint has weight fall into patches, connected over the surface. The heaviest is its own skin.
//! Another patch may be sound: a second layer of cloth, or a band that the limit of four influences cut in two. It is
//! not, if the skin around it belongs to joints far away in the skeleton, or if it lies across a gap.

use super::geodesic::{Walk, walk};
use super::sets::{join, root};
use super::weld::NOWHERE;
use crate::facts::Facts;
use crate::model::JointId;

/// Weight that makes a patch: a faint tail does not tie a spot to the joint's own skin.
const GROWS: f32 = 0.06;
/// A patch without more than this somewhere is not looked at.
const LEAST: f32 = 0.08;
/// Patches looked at; beyond, they are only counted.
const MOST: usize = 4_096;
/// Points that all walks along the surface may visit: weights in a thousand specks would walk over the whole body each.
const STEPS: usize = 2_000_000;
/// Points of joints' own skin that all these may be compared with.
const BUDGET: usize = 60_000_000;
/// From this weight on a patch is heavy: brushes and limits of four leave lighter remainders among neighbours.
const HEAVY: f32 = 0.2;
/// Of the skin around a heavy patch, the share that may belong to joints nearby.
const NEAR_SHARE: f64 = 1.0 / 3.0;
/// The same for a light patch.
const NEAR_SHARE_LIGHT: f64 = 0.1;
/// Joints whose own skins meet along this many edges are neighbours, however their parents go.
const MEETS: u32 = 4;

/// Why a patch is not sound.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StrayKind {
    /// The skin around it belongs to joints at least three steps away.
    Astray,
    /// Near in space, far along the surface.
    Leak,
}

/// A patch that is not sound.
#[derive(Debug, Clone)]
pub struct Stray {
    /// The joint.
    pub joint: JointId,
    /// Why.
    pub kind: StrayKind,
    /// Its points, ascending.
    pub points: Vec<u32>,
    /// The largest weight.
    pub weight: f32,
    /// The point with it.
    pub peak: u32,
    /// The joint that most of the skin there belongs to.
    pub owner: JointId,
    /// Straight distance to the joint's own skin, metres.
    pub straight: f64,
    /// Distance along the surface as far as it was followed, metres: the way is longer.
    pub along: f64,
}

/// All such patches.
#[derive(Debug)]
pub struct Patches {
    /// Sorted by joint, then by first point.
    pub strays: Vec<Stray>,
    /// Patches that were not looked at because there are too many.
    pub unseen: u64,
}

/// What is known of a patch before it is looked at.
#[derive(Clone, Copy)]
struct Patch {
    joint: JointId,
    sum: f64,
    weight: f32,
    peak: u32,
    points: u32,
}

impl Patches {
    pub(crate) fn new(facts: &Facts<'_>) -> Self {
        let (surface, skinning) = (facts.surface(), facts.skinning());
        let all = skinning.all();
        let mut up: Vec<u32> = (0..all.len() as u32).collect();
        for point in 0..surface.points.len() as u32 {
            let mine = skinning.point_slots(point);
            for other in surface.edges().neighbours(point).iter().filter(|other| **other > point) {
                let theirs = skinning.point_slots(*other);
                let (mut at, mut of) = (mine.start, theirs.start);
                while at < mine.end && of < theirs.end {
                    let (a, b) = (all[at], all[of]);
                    if a.joint == b.joint && a.weight > GROWS && b.weight > GROWS {
                        join(&mut up, at as u32, of as u32);
                    }
                    at += usize::from(a.joint <= b.joint);
                    of += usize::from(b.joint <= a.joint);
                }
            }
        }
        let mut patches: Vec<Patch> = Vec::new();
        // From an influence's number to its patch: filled at roots, which come first.
        let mut number = vec![NOWHERE; all.len()];
        for point in 0..surface.points.len() as u32 {
            for slot in skinning.point_slots(point) {
                let one = all[slot];
                if one.weight <= GROWS || surface.shell_of[point as usize] == NOWHERE {
                    continue;
                }
                let root = root(&mut up, slot as u32) as usize;
                if number[root] == NOWHERE {
                    number[root] = patches.len() as u32;
                    patches.push(Patch { joint: one.joint, sum: 0.0, weight: 0.0, peak: point, points: 0 });
                }
                number[slot] = number[root];
                let patch = &mut patches[number[root] as usize];
                patch.sum += f64::from(one.weight);
                patch.points += 1;
                if one.weight > patch.weight {
                    (patch.weight, patch.peak) = (one.weight, point);
                }
            }
        }
        let mut main: Vec<Option<u32>> = vec![None; facts.rig().joints.len()];
        for (index, patch) in patches.iter().enumerate() {
            let best = &mut main[patch.joint.index()];
            if best.is_none_or(|best| patches[best as usize].sum < patch.sum) {
                *best = Some(index as u32);
            }
        }
        let mut this = Self { strays: Vec::new(), unseen: 0 };
        let minor = |index: usize| main[patches[index].joint.index()] != Some(index as u32);
        let mut wanted: Vec<usize> =
            (0..patches.len()).filter(|index| minor(*index) && patches[*index].weight > LEAST).collect();
        wanted.sort_by(|a, b| patches[*b].weight.total_cmp(&patches[*a].weight).then(a.cmp(b)));
        this.unseen = wanted.len().saturating_sub(MOST) as u64;
        wanted.truncate(MOST);
        // The points of all patches asked for, and of the main patches that they are compared with, filed in one pass.
        let mut starts = vec![0_u32; patches.len() + 1];
        let mut kept = vec![false; patches.len()];
        for index in &wanted {
            kept[*index] = true;
            if let Some(main) = main[patches[*index].joint.index()] {
                kept[main as usize] = true;
            }
        }
        let mut sum = 0;
        for (index, start) in starts.iter_mut().enumerate() {
            *start = sum;
            sum += patches.get(index).filter(|_| kept[index]).map_or(0, |patch| patch.points);
        }
        let mut members = vec![0_u32; sum as usize];
        let mut next = starts.clone();
        for point in 0..surface.points.len() as u32 {
            for slot in skinning.point_slots(point) {
                let patch = number[slot];
                if patch != NOWHERE && kept[patch as usize] {
                    members[next[patch as usize] as usize] = point;
                    next[patch as usize] += 1;
                }
            }
        }
        let list = |index: usize| &members[starts[index] as usize..starts[index + 1] as usize];
        let (mut budget, mut steps) = (BUDGET, STEPS);
        for index in wanted {
            let Some(main) = main[patches[index].joint.index()] else { continue };
            let cost = list(main as usize).len() + 64 * list(index).len().min(64);
            if cost > budget {
                this.unseen += 1;
                continue;
            }
            budget -= cost;
            this.strays.extend(look(facts, &patches[index], list(index), list(main as usize), &mut steps));
        }
        this.strays.sort_by(|a, b| (a.joint, &a.points).cmp(&(b.joint, &b.points)));
        this
    }

    /// Whether a point lies in a stray patch.
    pub fn holds(&self, point: u32) -> bool {
        self.strays.iter().any(|stray| stray.points.binary_search(&point).is_ok())
    }
}

fn look(facts: &Facts<'_>, patch: &Patch, points: &[u32], own: &[u32], steps: &mut usize) -> Option<Stray> {
    let (surface, skinning, reach) = (facts.surface(), facts.skinning(), facts.reach());
    let (mut near, mut total, mut owner) = (0, 0, None);
    let place = surface.points[patch.peak as usize];
    let held = holds(facts, patch.joint, points);
    let scale = reach.radius[patch.joint.index()].and_then(|radius| {
        if held.is_empty() { Some(radius.scale) } else { own_scale(facts, patch.joint, own) }
    });
    let far = scale
        .is_some_and(|scale| reach.distance(facts.origin(patch.joint), patch.joint, place) > 3.0 * scale);
    let mut ask = |point: u32| {
        let dominant = skinning.dominant[point as usize];
        if dominant != NOWHERE && dominant != patch.joint.0 {
            total += 1;
            let dominant = JointId(dominant);
            let close = reach.near(patch.joint, dominant)
                || (!far
                    && reach.edges_between(patch.joint, dominant) >= MEETS + edges(facts, dominant, &held));
            near += u32::from(close);
            // Whose skin it is: of those far away, the first met, and the peak is asked first.
            if owner.is_none_or(|(_, known)| known && !close) {
                owner = Some((dominant, close));
            }
        }
    };
    ask(patch.peak);
    for point in points {
        ask(*point);
        for other in surface.edges().neighbours(*point) {
            let weight = skinning.point_row(*other).iter().find(|one| one.joint == patch.joint);
            if weight.is_none_or(|one| one.weight <= GROWS) {
                ask(*other);
            }
        }
    }
    let (owner, _) = owner?;
    let straight = own
        .iter()
        .map(|point| surface.points[*point as usize].distance_squared(place))
        .min_by(f64::total_cmp)?
        .sqrt();
    let most = if patch.weight < HEAVY { NEAR_SHARE_LIGHT } else { NEAR_SHARE };
    let astray = f64::from(near) < most * f64::from(total);
    let along = (3.0 * straight).max(0.05 * facts.s());
    let shell = |point: u32| surface.shell_of[point as usize];
    let kind = if astray && far {
        StrayKind::Astray
    } else if shell(patch.peak) == shell(own[0])
        && walk(surface, points, along, steps, |point| own.binary_search(&point).is_ok()) == Walk::Beyond
    {
        StrayKind::Leak
    } else if astray {
        StrayKind::Astray
    } else {
        return None;
    };
    Some(Stray {
        joint: patch.joint,
        kind,
        points: points.to_vec(),
        weight: patch.weight,
        peak: patch.peak,
        owner,
        straight,
        along,
    })
}

/// The points of a patch on which its joint is the strongest. Such a patch widens the joint's own reach, and has its skin
/// meet what lies around: neither may excuse it.
fn holds(facts: &Facts<'_>, joint: JointId, points: &[u32]) -> Vec<u32> {
    let dominant = &facts.skinning().dominant;
    points.iter().copied().filter(|point| dominant[*point as usize] == joint.0).collect()
}

/// Edges between these points and the skin of a joint.
fn edges(facts: &Facts<'_>, joint: JointId, points: &[u32]) -> u32 {
    let dominant = &facts.skinning().dominant;
    let next = points.iter().flat_map(|point| facts.surface().edges().neighbours(*point));
    next.filter(|next| dominant[**next as usize] == joint.0).count() as u32
}

/// The joint's reach by its own skin alone.
fn own_scale(facts: &Facts<'_>, joint: JointId, own: &[u32]) -> Option<f64> {
    let (surface, reach, origin) = (facts.surface(), facts.reach(), facts.origin(joint));
    let mut list: Vec<f64> = holds(facts, joint, own)
        .into_iter()
        .map(|point| reach.distance(origin, joint, surface.points[point as usize]))
        .collect();
    if list.is_empty() {
        return None;
    }
    let rank = (0.9 * (list.len() - 1) as f64).round() as usize;
    let longest = reach.ends(joint).iter().map(|end| end.distance(origin)).fold(0.0, f64::max);
    Some((*list.select_nth_unstable_by(rank, f64::total_cmp).1).max(longest / 3.0))
}
