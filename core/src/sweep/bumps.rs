//! Noise in a joint's field: a smooth falloff has no hills and no hollows.

use super::field::Field;
use super::ground::Ground;
use crate::model::JointId;

/// A point that stands out by this much from all around it is a bump.
const STANDS_OUT: f32 = 0.05;
/// The same where small ones count.
const RIPPLE: f32 = 0.02;
/// The falloff, without its ends.
const FALLOFF: [f32; 2] = [0.02, 0.98];
/// Fewer neighbours make no surface.
const LEAST_NEIGHBOURS: u32 = 3;

/// Bumps of a joint's falloff.
#[derive(Debug, Clone)]
pub struct Bumps {
    /// The joint.
    pub joint: JointId,
    /// How many points stand out.
    pub count: u32,
    /// How many points the falloff has.
    pub of: u32,
    /// Which ones.
    pub points: Vec<u32>,
    /// The one that stands out most.
    pub point: u32,
    /// By how much.
    pub height: f32,
    /// Counted are smaller ones too, in what follows the joint or in the joint's own weights.
    pub fine: bool,
}

impl Bumps {
    /// Points that stand out, percent of the falloff.
    pub fn percent(&self) -> f64 {
        100.0 * f64::from(self.count) / f64::from(self.of.max(1))
    }
}

/// Points of a joint's falloff that stand out by 0.05.
pub(super) fn bumps(ground: &Ground<'_, '_>, field: &Field, joint: JointId) -> Option<Bumps> {
    count(ground, field, joint, STANDS_OUT)
}

/// Points that stand out by 0.02 in what follows a joint, or in the joint's own weights (`own`): where a joint has others
/// below it, noise on the border to them shows in its own weights alone. Of the two what has more of them.
pub(super) fn ripples(ground: &Ground<'_, '_>, field: &Field, own: &Field, joint: JointId) -> Option<Bumps> {
    let (a, b) = (count(ground, field, joint, RIPPLE), count(ground, own, joint, RIPPLE));
    let more = match (a, b) {
        (Some(a), Some(b)) => Some(if enough(&b) > enough(&a) { b } else { a }),
        (a, b) => a.or(b),
    };
    more.map(|found| Bumps { fine: true, ..found })
}

/// Percent, where there are some at all.
fn enough(bumps: &Bumps) -> f64 {
    if bumps.count < LEAST_NEIGHBOURS { 0.0 } else { bumps.percent() }
}

fn count(ground: &Ground<'_, '_>, field: &Field, joint: JointId, stands_out: f32) -> Option<Bumps> {
    let mut found = Bumps { joint, count: 0, of: 0, points: Vec::new(), point: 0, height: 0.0, fine: false };
    for point in &field.points {
        let share = field.at(*point);
        if share <= FALLOFF[0] || share >= FALLOFF[1] {
            continue;
        }
        found.of += 1;
        let around = ground.surface.edges().neighbours(*point).iter();
        let around = around.filter(|next| ground.columns.known[**next as usize]);
        let (mut count, mut least, mut most) = (0, f32::INFINITY, f32::NEG_INFINITY);
        for next in around {
            count += 1;
            least = least.min(field.at(*next));
            most = most.max(field.at(*next));
        }
        let height = (share - most).max(least - share);
        if count >= LEAST_NEIGHBOURS && height > stands_out {
            found.count += 1;
            found.points.push(*point);
            if height > found.height {
                (found.height, found.point) = (height, *point);
            }
        }
    }
    (found.count > 0).then_some(found)
}
