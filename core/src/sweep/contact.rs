//! Skin that comes to meet other skin as soon as a joint turns: at which angle first, away from the crease.
//!
//! What follows a joint wholly moves rigidly, and what does not follow it stays, so the boxes of one tree over the skin at
//! rest serve for every pose: a box of what moves is turned, a box of what stays is not. Only where the two meet are
//! triangles compared.

use bitflags::bitflags;
use glam::{DMat3, DVec3};
use rayon::prelude::*;

use super::connected::{Border, FAR};
use super::field::Field;
use super::ground::Ground;
use super::poses::{Axis, Pose, both_ways};
use crate::body::inside::soup;
use crate::body::pairs::{apart, bounds, cross, touch};
use crate::body::triangles::Node;
use crate::body::{Soup, Surface, Triangles};
use crate::model::JointId;

/// Skin follows wholly from here on …
const WHOLE: f32 = 0.98;
/// … and stays up to here.
const STILL: f32 = 0.02;
/// Skin that is as close to other skin at rest lies on it: no news when it goes in. Fraction of S.
const ON_IT: f64 = 2e-3;
/// Turns that are looked at, degrees: what meets later is what limbs do. The first one is small, so that little is passed
/// through.
const STEPS: [f64; 2] = [3.0, 6.0];
/// To which the first contact is told, degrees.
const FINE: f64 = 1e-5;
/// Pairs of boxes of one joint that are looked at in all its poses.
const LOOKS: usize = 4_000_000;
/// Triangles that are asked what they do, over all joints; every joint asks all of them once.
const ASKED: usize = 1_000_000_000;

/// Two pieces of skin that meet.
#[derive(Debug, Clone, Copy)]
pub struct Contact {
    /// The joint that is turned.
    pub joint: JointId,
    /// The joint whose skin is met.
    pub met: Option<JointId>,
    /// The pose in which they meet first, of all poses of the joint.
    pub pose: Pose,
    /// A point of the skin that moves.
    pub moving: u32,
    /// A point of the skin that stays.
    pub still: u32,
}

/// There is too much skin close together.
pub(super) struct TooMuch;

/// The skin at rest as a tree of boxes.
pub(super) struct Tree<'s> {
    soup: Soup<'s>,
    boxes: Triangles,
    /// By triangle: its points, and its own box.
    points: Vec<[u32; 3]>,
    bounds: Vec<(DVec3, DVec3)>,
}

impl<'s> Tree<'s> {
    pub(super) fn new(surface: &'s Surface) -> Self {
        let soup = soup(surface);
        let all = 0..surface.triangles.len() as u32;
        Self {
            soup,
            boxes: Triangles::new(soup),
            points: all.clone().into_par_iter().map(|triangle| surface.corner_points(triangle)).collect(),
            bounds: all.into_par_iter().map(|triangle| bounds(soup.corners(triangle))).collect(),
        }
    }

    /// How many joints' contacts can be looked at.
    pub(super) fn joints(&self) -> usize {
        ASKED / self.points.len().max(1)
    }
}

bitflags! {
    /// What a triangle away from the crease does.
    #[derive(Debug, Clone, Copy, PartialEq, Eq)]
    struct Part: u8 {
        /// All of it follows wholly.
        const MOVES = 1;
        /// Nothing of it follows.
        const STAYS = 2;
    }
}

/// What one joint's turns are looked at with.
struct Search<'a, 'f, 'r> {
    ground: &'a Ground<'f, 'r>,
    field: &'a Field,
    tree: &'a Tree<'a>,
    /// By triangle and by box: what it does, or what some in it do.
    parts: Vec<Part>,
    boxes: Vec<Part>,
    origin: DVec3,
    /// Metres from the origin within which everything is crease.
    crease: f64,
    close: f64,
    looks: usize,
}

/// The first contact of a joint's skin; an error if there is too much skin to look at.
pub(super) fn contact(
    ground: &Ground<'_, '_>,
    field: &Field,
    tree: &Tree<'_>,
    joint: JointId,
    axes: &[Axis; 3],
    border: Border,
) -> Result<Option<Contact>, TooMuch> {
    let s = ground.facts.s();
    let mut search = Search {
        ground,
        field,
        tree,
        parts: Vec::new(),
        boxes: Vec::new(),
        origin: ground.facts.origin(joint),
        crease: FAR * border.radius,
        close: ON_IT * s,
        looks: LOOKS,
    };
    search.parts = (0..ground.surface.triangles.len() as u32).map(|triangle| search.part(triangle)).collect();
    search.boxes = tree.boxes.fold(Part::empty(), |triangle| search.parts[triangle as usize], Part::union);
    let mut best: Option<(f64, Pose, (u32, u32))> = None;
    'poses: for pose in both_ways(axes, 1.0) {
        let turned = |degrees: f64| Pose { degrees: degrees * pose.degrees, ..pose };
        let most = best.map_or(f64::INFINITY, |known| known.0 - FINE);
        let mut free = 0.0;
        for step in STEPS {
            let mut first = step.min(most);
            if first <= free {
                break;
            }
            let mut met = match search.meets(&turned(first)) {
                Ok(Some(met)) => met,
                Ok(None) => {
                    free = first;
                    continue;
                }
                // What is known by now is a contact.
                Err(TooMuch) if best.is_some() => break 'poses,
                Err(TooMuch) => return Err(TooMuch),
            };
            while first - free > FINE {
                let middle = f64::midpoint(free, first);
                match search.meets(&turned(middle)) {
                    Ok(Some(pair)) => (first, met) = (middle, pair),
                    Ok(None) => free = middle,
                    Err(TooMuch) => break,
                }
            }
            best = Some((first, turned(first), met));
            break;
        }
    }
    Ok(best.map(|(_, pose, (moving, still))| {
        let corner = |triangle: u32| ground.surface.corner_points(triangle)[0];
        let (moving, still) = (corner(moving), corner(still));
        Contact { joint, met: ground.owner(still), pose, moving, still }
    }))
}

impl Search<'_, '_, '_> {
    fn part(&self, triangle: u32) -> Part {
        let corners = self.tree.points[triangle as usize];
        let shares = corners.map(|corner| {
            let known = self.ground.columns.known.get(corner as usize).is_some_and(|known| *known);
            if known { self.field.at(corner) } else { f32::NAN }
        });
        let part = if shares.iter().all(|share| *share <= STILL) {
            Part::STAYS
        } else if shares.iter().all(|share| *share >= WHOLE) {
            Part::MOVES
        } else {
            return Part::empty();
        };
        let crease = self.crease * self.crease;
        let near = |corner: &DVec3| corner.distance_squared(self.origin) < crease;
        if self.tree.soup.corners(triangle).iter().any(near) { Part::empty() } else { part }
    }

    /// A triangle that moves and one that stays which meet in a pose and do not at rest.
    fn meets(&mut self, pose: &Pose) -> Result<Option<(u32, u32)>, TooMuch> {
        let boxes = &self.tree.boxes;
        if boxes.nodes.is_empty() {
            return Ok(None);
        }
        let turn = pose.rotation();
        let spread = DMat3::from_cols(turn.x_axis.abs(), turn.y_axis.abs(), turn.z_axis.abs());
        let mut stack = vec![(0, 0)];
        while let Some((moving, still)) = stack.pop() {
            let (moves, stays) = (self.boxes[moving as usize], self.boxes[still as usize]);
            if !moves.contains(Part::MOVES) || !stays.contains(Part::STAYS) {
                continue;
            }
            self.looks = self.looks.checked_sub(1).ok_or(TooMuch)?;
            let (a, b) = (&boxes.nodes[moving as usize], &boxes.nodes[still as usize]);
            let centre = turn * ((a.low + a.high) / 2.0 - self.origin) + self.origin;
            let half = spread * ((a.high - a.low) / 2.0);
            if (centre - half).cmpgt(b.high).any() || (centre + half).cmplt(b.low).any() {
                continue;
            }
            match (boxes.children(moving), boxes.children(still)) {
                (None, None) => {
                    if let Some(pair) = self.leaves(moving, still, turn)? {
                        return Ok(Some(pair));
                    }
                }
                (Some(parts), other) if other.is_none() || size(a) >= size(b) => {
                    stack.extend(parts.map(|part| (part, still)));
                }
                (_, Some(parts)) => stack.extend(parts.map(|part| (moving, part))),
                (Some(parts), None) => stack.extend(parts.map(|part| (part, still))),
            }
        }
        Ok(None)
    }

    fn leaves(&mut self, moving: u32, still: u32, turn: DMat3) -> Result<Option<(u32, u32)>, TooMuch> {
        let node = &self.tree.boxes.nodes[still as usize];
        for a in self.tree.boxes.below(moving) {
            if self.parts[*a as usize] != Part::MOVES {
                continue;
            }
            let rest = self.tree.soup.corners(*a);
            let posed = rest.map(|corner| turn * (corner - self.origin) + self.origin);
            let bounds = bounds(posed);
            if apart(bounds, (node.low, node.high)) {
                continue;
            }
            self.looks = self.looks.checked_sub(1).ok_or(TooMuch)?;
            for b in self.tree.boxes.below(still) {
                if self.parts[*b as usize] != Part::STAYS || apart(bounds, self.tree.bounds[*b as usize]) {
                    continue;
                }
                let other = self.tree.soup.corners(*b);
                if cross(posed, other) && !touch(rest, other, self.close) {
                    return Ok(Some((*a, *b)));
                }
            }
        }
        Ok(None)
    }
}

fn size(node: &Node) -> f64 {
    (node.high - node.low).length_squared()
}
