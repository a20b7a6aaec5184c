//! Skin on the side of a joint's twin: two joints that have each other's skin move each the other limb.

use super::ground::Ground;
use crate::model::JointId;

/// Points of a joint's own skin; fewer say nothing.
const LEAST: usize = 3;
/// The same, fraction of the body's area.
const LEAST_AREA: f64 = 0.0005;

/// A joint whose skin lies at its twin.
#[derive(Debug, Clone)]
pub struct Swapped {
    /// The joint.
    pub joint: JointId,
    /// The joint on the other side.
    pub twin: JointId,
    /// Of the area of its own skin, what lies nearer to the twin's segments.
    pub share: f64,
    /// The point farthest from the joint's segments.
    pub point: u32,
}

/// Every joint with a twin and with skin of its own of which some lies nearer to the twin.
pub(super) fn swapped(ground: &Ground<'_, '_>) -> Vec<Swapped> {
    let (facts, surface) = (ground.facts, ground.surface);
    let count = facts.rig().joints.len();
    let mut sums = vec![(0_usize, 0.0_f64, 0.0_f64, -1.0_f64, 0_u32); count];
    for point in 0..surface.points.len() as u32 {
        let Some(joint) = ground.owner(point) else { continue };
        let Some(twin) = facts.twins().twin(joint).filter(|twin| *twin != joint) else { continue };
        let place = surface.points[point as usize];
        let apart = |one: JointId| facts.reach().distance(facts.origin(one), one, place);
        let (own, other, area) = (apart(joint), apart(twin), ground.area[point as usize]);
        let sum = &mut sums[joint.index()];
        sum.0 += 1;
        sum.1 += area;
        if other < own {
            sum.2 += area;
        }
        if own > sum.3 {
            (sum.3, sum.4) = (own, point);
        }
    }
    let found = |(index, (points, area, astray, _, point)): (usize, (usize, f64, f64, f64, u32))| {
        let joint = JointId::new(index);
        let twin = facts.twins().twin(joint)?;
        let enough = points >= LEAST && area > LEAST_AREA * ground.body_area && astray > 0.0;
        enough.then(|| Swapped { joint, twin, share: astray / area, point })
    };
    sums.into_iter().enumerate().filter_map(found).collect()
}
