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
    /// Of the area of the points on which it has most weight, what lies nearer to the twin's segments.
    pub own: f64,
    /// The same of the area of all its points times its weight there.
    pub held: f64,
    /// The point farthest from the joint's segments.
    pub point: u32,
}

/// What is summed over the points that follow a joint.
#[derive(Clone, Copy, Default)]
struct Sums {
    /// Points on which it has most weight.
    points: usize,
    /// Their area, square metres, and of that what lies nearer to the twin.
    own: [f64; 2],
    /// Area times weight of all its points, and of that what lies nearer to the twin.
    held: [f64; 2],
    /// The farthest of its own points: metres, and the point.
    farthest: Option<(f64, u32)>,
}

/// Every joint with a twin and with skin of its own of which some lies nearer to the twin. A joint that blends into a trunk
/// may have most weight on a few points across the middle only: judged is the smaller one of the share of its own skin and of
/// the share of all its weight.
pub(super) fn swapped(ground: &Ground<'_, '_>) -> Vec<Swapped> {
    let (facts, surface) = (ground.facts, ground.surface);
    let mut sums = vec![Sums::default(); facts.rig().joints.len()];
    for point in 0..surface.points.len() as u32 {
        let owner = ground.owner(point);
        let place = surface.points[point as usize];
        let area = ground.area[point as usize];
        for one in facts.skinning().point_row(point) {
            let Some(twin) = facts.twins().twin(one.joint).filter(|twin| *twin != one.joint) else {
                continue;
            };
            let apart = |one: JointId| facts.reach().distance(facts.origin(one), one, place);
            let (own, other) = (apart(one.joint), apart(twin));
            let astray = if other < own { 1.0 } else { 0.0 };
            let sum = &mut sums[one.joint.index()];
            let held = area * f64::from(one.weight);
            sum.held[0] += held;
            sum.held[1] += held * astray;
            if owner == Some(one.joint) {
                sum.points += 1;
                sum.own[0] += area;
                sum.own[1] += area * astray;
                if sum.farthest.is_none_or(|(most, _)| own > most) {
                    sum.farthest = Some((own, point));
                }
            }
        }
    }
    let found = |(index, sum): (usize, Sums)| {
        let joint = JointId::new(index);
        let twin = facts.twins().twin(joint)?;
        let enough = sum.points >= LEAST && sum.own[0] > LEAST_AREA * ground.body_area;
        let (own, held) = (sum.own[1] / sum.own[0], sum.held[1] / sum.held[0]);
        let (_, point) = sum.farthest.filter(|_| enough && own.min(held) > 0.0)?;
        Some(Swapped { joint, twin, own, held, point })
    };
    sums.into_iter().enumerate().filter_map(found).collect()
}
