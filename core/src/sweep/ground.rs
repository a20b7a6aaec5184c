//! What every joint's pose is measured on.

use glam::DVec3;

use super::field::{Columns, Fans};
use super::poses::Blend;
use super::tour::Tour;
use crate::body::{NOWHERE, Surface};
use crate::facts::Facts;
use crate::model::JointId;

/// The body, its weights by joint, its areas.
pub(super) struct Ground<'f, 'r> {
    pub(super) facts: &'f Facts<'r>,
    pub(super) surface: &'f Surface,
    pub(super) tour: Tour,
    pub(super) columns: Columns,
    pub(super) fans: Fans,
    /// A third of the triangles around each point, square metres.
    pub(super) area: Vec<f64>,
    /// All of it.
    pub(super) body_area: f64,
    /// Joints that have weight, in the tour's order.
    deforming: Vec<JointId>,
    /// Joints whose skin meets a joint's own, by joint.
    beside: Vec<Vec<JointId>>,
    /// How the target blends.
    pub(super) blend: Blend,
}

impl<'f, 'r> Ground<'f, 'r> {
    pub(super) fn new(facts: &'f Facts<'r>, blend: Blend) -> Self {
        let surface = facts.surface();
        let tour = Tour::new(facts);
        let columns = Columns::new(facts, &tour);
        let mut area = vec![0.0; surface.points.len()];
        for triangle in 0..surface.triangles.len() {
            let corners = surface.corner_points(triangle as u32);
            let third = surface_area(surface, corners) / 3.0;
            for point in corners {
                area[point as usize] += third;
            }
        }
        let body_area: f64 =
            area.iter().zip(&columns.known).filter(|(_, known)| **known).map(|(a, _)| a).sum();
        let deforming =
            tour.order.iter().copied().filter(|joint| !columns.own(&tour, *joint).is_empty()).collect();
        let fans = Fans::new(surface);
        let body_area = body_area.max(f64::MIN_POSITIVE);
        let mut beside = vec![Vec::new(); tour.order.len()];
        for (one, other) in facts.reach().shared.keys() {
            beside[one.index()].push(*other);
            beside[other.index()].push(*one);
        }
        Self { facts, surface, tour, columns, fans, area, body_area, deforming, beside, blend }
    }

    /// The joints with weight at or below a joint.
    fn deforming_below(&self, joint: JointId) -> &[JointId] {
        let run = self.tour.below(joint);
        let from = self.deforming.partition_point(|one| self.tour.place(*one) < run.start);
        let to = self.deforming.partition_point(|one| self.tour.place(*one) < run.end);
        &self.deforming[from..to]
    }

    /// Distance of a place to the nearest segment at or below a joint, metres.
    pub(super) fn below_distance(&self, joint: JointId, place: DVec3) -> f64 {
        let to = |one: &JointId| self.facts.reach().distance(self.facts.origin(*one), *one, place);
        self.deforming_below(joint).iter().map(to).fold(f64::INFINITY, f64::min)
    }

    /// Whether the segment nearest to a place is one at or below a joint; a last joint without a known tip is a point,
    /// which its parent's segment reaches: that is no reason to call its skin the parent's.
    pub(super) fn nearest_is_below(&self, joint: JointId, place: DVec3) -> bool {
        let run = self.tour.below(joint);
        let (mut inside, mut outside) = (f64::INFINITY, f64::INFINITY);
        for one in &self.deforming {
            let apart = self.facts.reach().distance(self.facts.origin(*one), *one, place);
            if run.contains(&self.tour.place(*one)) {
                inside = inside.min(apart);
            } else {
                outside = outside.min(apart);
            }
        }
        inside <= outside
    }

    /// Whether a joint's skin meets that of a joint at or below another one, or the two are next to each other.
    pub(super) fn skin_adjacent(&self, owner: JointId, joint: JointId) -> bool {
        self.facts.reach().near(owner, joint)
            || self.beside[owner.index()].iter().any(|other| self.tour.hangs(*other, joint))
    }

    /// The joint at or below `joint` with most weight on a point.
    pub(super) fn heaviest_below(&self, joint: JointId, point: u32) -> Option<JointId> {
        let row = self.facts.skinning().point_row(point).iter();
        let row = row.filter(|one| self.tour.hangs(one.joint, joint));
        row.copied()
            .reduce(|best, next| if next.weight > best.weight { next } else { best })
            .map(|one| one.joint)
    }

    /// The joint with the largest weight on a point.
    pub(super) fn owner(&self, point: u32) -> Option<JointId> {
        let joint = self.facts.skinning().dominant[point as usize];
        (joint != NOWHERE).then_some(JointId(joint))
    }
}

fn surface_area(surface: &Surface, corners: [u32; 3]) -> f64 {
    let [a, b, c] = corners.map(|point| surface.points[point as usize]);
    (b - a).cross(c - a).length() / 2.0
}
