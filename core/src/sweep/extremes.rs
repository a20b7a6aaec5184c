//! The ends of a joint's range, alone and together with the joint it hangs from.
//!
//! Two joints turned at once, the upper by T about its origin and the lower by U about its own, give a point the motions
//! 1, T and T U with the shares 1 − p, p − a and a: p is what follows the upper joint, a what follows the lower one. So a pose
//! of both is one of two numbers a point, as one of a joint alone is of one.

use glam::{DMat4, DVec3};

use super::connected::{Border, FAR};
use super::damage::{self, Damage};
use super::field::Field;
use super::ground::Ground;
use super::poses::{Blend, Pose, of_range};
use super::ranges::{JointRange, RangeSource};
use super::skinning::{Dual, Sum};
use crate::model::JointId;

/// Smaller turns do not compound, degrees.
const LEAST_TURN: f64 = 1.0;

/// What the ends of a joint's range do.
#[derive(Debug, Clone)]
pub struct Ends {
    /// The range.
    pub range: JointRange,
    /// The joint alone; the joint's range may be no more than what everything is judged at.
    pub alone: Option<Damage>,
    /// With the joint that it hangs from.
    pub together: Option<Together>,
}

/// Two joints at once.
#[derive(Debug, Clone, Copy)]
pub struct Together {
    /// The upper joint.
    pub upper: JointId,
    /// How it is turned.
    pub upper_pose: Pose,
    /// How the joint itself is.
    pub pose: Pose,
    /// Share of the body turned inside out.
    pub inverted: f64,
    /// A point of the largest such triangle.
    pub point: u32,
}

pub(super) fn ends(
    ground: &Ground<'_, '_>,
    [field, other]: [&mut Field; 2],
    joint: JointId,
    ranges: &[JointRange],
    border: Border,
) -> Ends {
    let range = ranges[joint.index()];
    let alone = (range.source != RangeSource::Unknown)
        .then(|| of_range(&range))
        .filter(|poses| !poses.is_empty())
        .map(|poses| damage::damage(ground, field, joint, &poses, border));
    let upper = ground.tour.parent[joint.index()].filter(|up| ground.facts.deforms(*up));
    let together = upper.filter(|up| ground.facts.origin(*up).is_finite()).and_then(|upper| {
        other.load(&ground.columns, &ground.tour, upper);
        together(ground, field, other, (upper, &ranges[upper.index()]), (joint, &range), border)
    });
    Ends { range, alone, together }
}

/// Both ends of both joints' like axes.
fn pairs(upper: &JointRange, lower: &JointRange) -> Vec<(Pose, Pose)> {
    let mut list = Vec::new();
    for (a, b) in upper.spans.iter().zip(&lower.spans) {
        for first in a.degrees.into_iter().filter(|degrees| degrees.abs() >= LEAST_TURN) {
            for second in b.degrees.into_iter().filter(|degrees| degrees.abs() >= LEAST_TURN) {
                list.push((Pose { axis: a.axis, degrees: first }, Pose { axis: b.axis, degrees: second }));
            }
        }
    }
    list
}

fn together(
    ground: &Ground<'_, '_>,
    field: &Field,
    upper_field: &Field,
    (upper, upper_range): (JointId, &JointRange),
    (joint, range): (JointId, &JointRange),
    border: Border,
) -> Option<Together> {
    let surface = ground.surface;
    let (high, low) = (ground.facts.origin(upper), ground.facts.origin(joint));
    let pairs = pairs(upper_range, range);
    let about = |pose: &Pose, origin: DVec3| {
        DMat4::from_translation(origin) * DMat4::from_mat3(pose.rotation()) * DMat4::from_translation(-origin)
    };
    let motions: Vec<[DMat4; 2]> = pairs
        .iter()
        .map(|(a, b)| {
            let first = about(a, high);
            [first, first * about(b, low)]
        })
        .collect();
    let duals: Vec<[Dual; 3]> = match ground.blend {
        Blend::Linear => Vec::new(),
        Blend::DualQuaternion => {
            motions.iter().map(|[first, both]| [DMat4::IDENTITY, *first, *both].map(Dual::new)).collect()
        }
    };
    let mut sums = vec![(0.0_f64, 0.0_f64, 0_u32); pairs.len()];
    let flat = 1e-12 * ground.facts.s().powi(2);
    for point in &field.points {
        for triangle in ground.fans.at(*point) {
            let corners = surface.corner_points(*triangle);
            let shares = corners.map(|corner| f64::from(field.at(corner)));
            let uppers = corners.map(|corner| f64::from(upper_field.at(corner)));
            let lowest = corners.iter().zip(shares).filter(|(_, share)| *share > 0.0).map(|(c, _)| *c).min();
            let known = corners.iter().all(|corner| ground.columns.known[*corner as usize]);
            // Where all of it follows the upper joint, this is a pose of the lower one alone, moved.
            if lowest != Some(*point) || !known || uppers.iter().all(|share| *share >= 1.0) {
                continue;
            }
            let places = corners.map(|corner| surface.points[corner as usize]);
            let middle = (places[0] + places[1] + places[2]) / 3.0;
            let normal = (places[1] - places[0]).cross(places[2] - places[0]);
            let area = normal.length() / 2.0;
            if area <= flat || middle.distance(low) <= FAR * border.radius {
                continue;
            }
            for (at, [first, both]) in motions.iter().enumerate() {
                let place = |k: usize| -> DVec3 {
                    let (place, p, a) = (places[k], uppers[k], shares[k].min(uppers[k]));
                    match duals.get(at) {
                        None => {
                            place * (1.0 - p)
                                + first.transform_point3(place) * (p - a)
                                + both.transform_point3(place) * a
                        }
                        Some([still, first, both]) => {
                            let mut sum = Sum::default();
                            sum.add(*still, 1.0 - p);
                            sum.add(*first, p - a);
                            sum.add(*both, a);
                            sum.place(place)
                        }
                    }
                };
                let posed = [place(0), place(1), place(2)];
                let now = (posed[1] - posed[0]).cross(posed[2] - posed[0]);
                let mean = |list: [f64; 3]| (list[0] + list[1] + list[2]) / 3.0;
                let (p, a) = (mean(uppers), mean(shares));
                let part = if p > 0.0 { (a / p).min(1.0) } else { 0.0 };
                let turned =
                    |pose: &Pose, share: f64| Pose { degrees: pose.degrees * share, ..*pose }.rotation();
                let (first, second) = &pairs[at];
                if now.dot(turned(first, p) * (turned(second, part) * normal)) < 0.0 {
                    let sum = &mut sums[at];
                    sum.0 += area / ground.body_area;
                    if area > sum.1 {
                        (sum.1, sum.2) = (area, *point);
                    }
                }
            }
        }
    }
    let worst = (0..sums.len()).reduce(|a, b| if sums[b].0 > sums[a].0 { b } else { a })?;
    let (inverted, _, point) = sums[worst];
    let (upper_pose, pose) = pairs[worst];
    (inverted > 0.0).then_some(Together { upper, upper_pose, pose, inverted, point })
}
