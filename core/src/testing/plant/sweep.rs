//! Faults that show when joints are turned.

pub(super) mod contact;
pub(super) mod far;
pub(super) mod field;
pub(super) mod seam;

use glam::DVec3;

use super::cloth::Cloth;
use crate::model::JointId;

/// How far a point goes that moves wholly with a joint turned by 45°, over its distance to the axis: 2 sin 22.5°.
const CHORD: f64 = 0.765_366_864_730_179_5;
/// The worst of three axes at right angles lies across a point's arm by at least √(2/3) of it, and by all of it at most:
/// planted for what lies between.
const ACROSS: f64 = 0.91;

/// Whether skin bends at all: on a body of rigid pieces every border is a cut.
fn bends(cloth: &Cloth<'_>, points: &[u32]) -> bool {
    let whole = |point: &&u32| cloth.row(**point).iter().any(|one| one.1 >= 0.98);
    points.iter().filter(whole).count() * 100 < points.len() * 92
}

/// A joint's share of the skin, and where its border lies.
struct Region {
    below: Vec<bool>,
    /// Median distance of half-following skin to the joint's origin, metres.
    radius: f64,
}

impl Region {
    /// Nothing for a joint without a border.
    fn of(cloth: &Cloth<'_>, points: &[u32], joint: JointId) -> Option<Self> {
        let below = cloth.below(joint);
        let origin = cloth.facts.origin(joint);
        let mut border: Vec<f64> = Vec::new();
        for point in points {
            if cloth.share(*point, &below) < 0.5 {
                continue;
            }
            let next = cloth.surface.edges().neighbours(*point).iter();
            if next.clone().any(|next| cloth.sound(*next) && cloth.share(*next, &below) < 0.5) {
                border.push(cloth.surface.points[*point as usize].distance(origin));
            }
        }
        border.sort_by(f64::total_cmp);
        let radius = *border.get(border.len() / 2)?;
        Some(Self { below, radius })
    }

    /// Whether none of these points follows the joint at all.
    fn leaves(&self, cloth: &Cloth<'_>, points: &[u32]) -> bool {
        points.iter().all(|point| cloth.sound(*point) && cloth.share(*point, &self.below) == 0.0)
    }

    /// Distance of a place to the nearest segment of the joints that turn along.
    fn distance(&self, cloth: &Cloth<'_>, place: DVec3) -> f64 {
        let facts = cloth.facts;
        (0..self.below.len())
            .filter(|at| self.below[*at] && facts.deforms(JointId::new(*at)))
            .map(|at| facts.reach().distance(facts.origin(JointId::new(at)), JointId::new(at), place))
            .fold(f64::INFINITY, f64::min)
    }
}

/// The longest arm by which a point hangs on a joint or on one above it that does not turn the point's own skin: their
/// turns move it as well. Nothing where that is much longer than the joint's own.
fn arm(cloth: &Cloth<'_>, joint: JointId, point: u32) -> Option<f64> {
    let facts = cloth.facts;
    let place = cloth.surface.points[point as usize];
    let own = facts.origin(joint).distance(place);
    let mut most = own;
    let attached = &facts.reach().attached;
    let up = |joint: &JointId| attached[joint.index()].or(facts.tree().parent[joint.index()]);
    for above in std::iter::successors(up(&joint), up).take(64) {
        if cloth.share(point, &cloth.below(above)) > 0.0 {
            break;
        }
        most = most.max(facts.origin(above).distance(place));
    }
    (most < 1.15 * own).then_some(most)
}
