//! What a pose does to triangles: stretch, compression, inversion, lost volume, and skin that is dragged along.

use glam::DVec3;

use super::connected::{Border, FAR};
use super::field::Field;
use super::ground::Ground;
use super::poses::{ANGLE, Axis, Blend, Motion, Pose, Turn, lift};
use crate::model::JointId;

/// Principal stretches beyond which a triangle counts.
const LONG: f64 = 2.0;
const SHORT: f64 = 0.4;
/// Blending counts as such between these.
const BLENDED: [f32; 2] = [0.02, 0.98];
/// Within so many radii of the ring around the joint, volume is taken.
const NEAR: f64 = 2.5;
/// The areas of a band all around the joint cancel each other, seen as vectors: this much may remain. A patch on one
/// side holds no volume.
const OPEN: f64 = 0.25;
/// A smaller cone at rest says nothing, in cubed radii.
const LEAST_CONE: f64 = 0.2;
/// Points dragged that are asked about.
const MOST: usize = 256;
/// Displacement from which dragged skin is looked at, fraction of S.
const LEAST_DRAG: f64 = 0.01;

/// An amount in the worst pose.
#[derive(Debug, Clone, Copy)]
pub struct Worst {
    /// The amount.
    pub amount: f64,
    /// The pose.
    pub pose: Pose,
    /// A point of the worst triangle.
    pub point: u32,
}

/// Volume lost.
#[derive(Debug, Clone, Copy)]
pub struct Collapse {
    /// Beyond what a perfect blend loses, as a share of what that keeps.
    pub beyond: f64,
    /// All of it, as a share of the volume at rest.
    pub lost: f64,
    /// What a perfect linear blend loses at this angle.
    pub unavoidable: f64,
    /// The pose.
    pub pose: Pose,
}

/// What a joint's poses do to the skin around it.
#[derive(Debug, Clone, Copy)]
pub struct Damage {
    /// Share of the body stretched to more than twice its length.
    pub stretched: Option<Worst>,
    /// Share of the body squeezed to less than 0.4 of its length.
    pub squeezed: Option<Worst>,
    /// Share of the body turned inside out.
    pub inverted: Option<Worst>,
    /// Volume lost around the joint.
    pub collapse: Option<Collapse>,
}

#[derive(Clone, Copy, Default)]
struct Sum {
    area: f64,
    worst: f64,
    point: u32,
}

impl Sum {
    fn add(&mut self, area: f64, strength: f64, point: u32) {
        self.area += area;
        if strength > self.worst {
            (self.worst, self.point) = (strength, point);
        }
    }
}

/// A change of shape up to which blending alone can do none of it: the smallest singular value of a blend of I and R is
/// cos θ/2, and no more than the change is taken from it or added to one. 0.5 at 45°.
fn harmless(poses: &[Pose], blend: Blend) -> f64 {
    if blend == Blend::DualQuaternion {
        return 0.0;
    }
    let widest = poses.iter().map(|pose| pose.degrees.abs()).fold(0.0, f64::max);
    ((widest.to_radians() / 2.0).cos() - SHORT).clamp(0.0, (LONG - 1.0) / 2.0)
}

/// The worst of some poses of a joint.
pub(super) fn damage(
    ground: &Ground<'_, '_>,
    field: &Field,
    joint: JointId,
    poses: &[Pose],
    border: Border,
) -> Damage {
    let (surface, origin) = (ground.surface, ground.facts.origin(joint));
    let turns: Vec<Motion> = poses.iter().map(|pose| Motion::new(pose, ground.blend)).collect();
    let harmless = harmless(poses, ground.blend);
    let widest = poses.iter().map(|pose| pose.degrees.abs()).fold(0.0, f64::max);
    let none = vec![Sum::default(); poses.len()];
    let (mut long, mut short, mut inside_out) = (none.clone(), none.clone(), none);
    let (mut cone, mut cones) = (0.0, vec![0.0; poses.len()]);
    let (mut faces, mut faced) = (DVec3::ZERO, 0.0);
    // A triangle is met at the lowest of its points that follow.
    let flat = 1e-12 * ground.facts.s().powi(2);
    for point in &field.points {
        for triangle in ground.fans.at(*point) {
            let corners = surface.corner_points(*triangle);
            let shares = corners.map(|corner| field.at(corner));
            let lowest = corners.iter().zip(shares).filter(|(_, share)| *share > 0.0).map(|(c, _)| *c).min();
            let known = corners.iter().all(|corner| ground.columns.known[*corner as usize]);
            if lowest != Some(*point) || !known || shares.iter().all(|share| *share >= 1.0) {
                continue;
            }
            let arms = corners.map(|corner| surface.points[corner as usize] - origin);
            let middle = (arms[0] + arms[1] + arms[2]) / 3.0;
            let mean = (shares[0] + shares[1] + shares[2]) / 3.0;
            let blended = mean > BLENDED[0] && mean < BLENDED[1] && middle.length() < NEAR * border.ring;
            let far = middle.length() > FAR * border.radius && reach_of(arms, shares, widest) > harmless;
            if !blended && !far {
                continue;
            }
            let normal = (arms[1] - arms[0]).cross(arms[2] - arms[0]);
            let area = normal.length() / 2.0;
            if area <= flat {
                continue;
            }
            if blended {
                cone += arms[0].dot(arms[1].cross(arms[2]));
                faces += normal / 2.0;
                faced += area;
            }
            for (at, turn) in turns.iter().enumerate() {
                let posed: [DVec3; 3] = std::array::from_fn(|k| turn.place(arms[k], f64::from(shares[k])));
                if blended {
                    cones[at] += posed[0].dot(posed[1].cross(posed[2]));
                }
                if !far {
                    continue;
                }
                let share = area / ground.body_area;
                let (most, least) = stretches(arms, posed);
                if most > LONG {
                    long[at].add(share, most, *point);
                }
                if least < SHORT {
                    short[at].add(share, 1.0 / least.max(1e-9), *point);
                }
                let part = Pose { degrees: poses[at].degrees * f64::from(mean), ..poses[at] };
                let now = (posed[1] - posed[0]).cross(posed[2] - posed[0]);
                if now.dot(part.rotation() * normal) < 0.0 {
                    inside_out[at].add(share, area, *point);
                }
            }
        }
    }
    let worst = |sums: &[Sum]| {
        let at = (0..sums.len()).reduce(|a, b| if sums[b].area > sums[a].area { b } else { a })?;
        (sums[at].area > 0.0).then(|| Worst { amount: sums[at].area, pose: poses[at], point: sums[at].point })
    };
    Damage {
        stretched: worst(&long),
        squeezed: worst(&short),
        inverted: worst(&inside_out),
        collapse: (faces.length() < OPEN * faced)
            .then(|| collapse(cone / 6.0, &cones, poses, border.ring, ground.blend))
            .flatten(),
    }
}

/// A bound for how much a triangle's shape changes beyond blending: |a's gradient| · 2 sin(θ/2) · distance.
fn reach_of(arms: [DVec3; 3], shares: [f32; 3], degrees: f64) -> f64 {
    let spread = shares.iter().fold(0.0_f32, |most, a| most.max(*a))
        - shares.iter().fold(1.0_f32, |least, a| least.min(*a));
    let sides = [arms[1] - arms[0], arms[2] - arms[1], arms[0] - arms[2]];
    let longest = sides.iter().map(|side| side.length()).fold(0.0, f64::max);
    let height = sides[0].cross(sides[1]).length() / longest.max(f64::MIN_POSITIVE);
    let farthest = arms.iter().map(|arm| arm.length()).fold(0.0, f64::max);
    let most = 2.0 * (degrees.to_radians() / 2.0).sin();
    f64::from(spread) * most * farthest / height.max(f64::MIN_POSITIVE)
}

/// The largest and the least principal stretch between two shapes of a triangle, from their metrics.
pub(super) fn stretches(rest: [DVec3; 3], posed: [DVec3; 3]) -> (f64, f64) {
    let metric = |t: [DVec3; 3]| {
        let (e, f) = (t[1] - t[0], t[2] - t[0]);
        (e.dot(e), e.dot(f), f.dot(f))
    };
    let ((a, b, c), (p, q, r)) = (metric(rest), metric(posed));
    let whole = a * c - b * b;
    let half = (c * p - 2.0 * b * q + a * r) / whole / 2.0;
    let rest = (p * r - q * q) / whole;
    let root = (half * half - rest).max(0.0).sqrt();
    ((half + root).max(0.0).sqrt(), (half - root).max(0.0).sqrt())
}

fn collapse(cone: f64, cones: &[f64], poses: &[Pose], radius: f64, blend: Blend) -> Option<Collapse> {
    if cone.abs() <= LEAST_CONE * radius.powi(3) {
        return None;
    }
    let each = poses.iter().zip(cones).map(|(pose, posed)| {
        // Dual quaternions turn every section whole.
        let unavoidable =
            if blend == Blend::Linear { unavoidable(pose.axis.turn, pose.degrees) } else { 0.0 };
        let lost = 1.0 - posed / 6.0 / cone;
        Collapse { beyond: 1.0 - (1.0 - lost) / (1.0 - unavoidable), lost, unavoidable, pose: *pose }
    });
    each.reduce(|worst, next| if next.beyond > worst.beyond { next } else { worst })
}

/// The share of the cone volume about the joint that a perfect linear blend loses: sin²(θ/2) in a twist, half of
/// that in a bend, whatever the width of the falloff.
pub fn unavoidable(turn: Turn, degrees: f64) -> f64 {
    let sine = (degrees.to_radians() / 2.0).sin().powi(2);
    match turn {
        Turn::Twist => sine,
        Turn::Swing => sine / 2.0,
    }
}

/// Skin of joints that have nothing to do with the one turned, and moves along.
#[derive(Debug, Clone, Copy)]
pub struct Drag {
    /// The joint that is turned.
    pub posed: JointId,
    /// The joint at or below it that has most of the weight there.
    pub culprit: JointId,
    /// The joint whose skin it is.
    pub owner: JointId,
    /// How far it goes at 45°, metres.
    pub moved: f64,
    /// About which axis.
    pub axis: Axis,
    /// How much it follows.
    pub share: f32,
    /// The point.
    pub point: u32,
}

/// The point dragged farthest.
pub(super) fn drag(
    ground: &Ground<'_, '_>,
    field: &Field,
    joint: JointId,
    axes: &[Axis; 3],
    radius: f64,
) -> Option<Drag> {
    let (surface, facts) = (ground.surface, ground.facts);
    let (origin, s) = (facts.origin(joint), facts.s());
    let mut list: Vec<(f64, u32)> = Vec::new();
    for point in &field.points {
        let share = field.at(*point);
        let place = surface.points[*point as usize];
        if share >= 0.5 || place.distance(origin) <= FAR * radius {
            continue;
        }
        let follows = ground.blend.follows(f64::from(share), ANGLE);
        let moved = follows * lift(axes, origin, place, ANGLE).0;
        let own = ground.owner(*point).is_none_or(|owner| ground.tour.hangs(owner, joint));
        if moved > LEAST_DRAG * s && !own {
            list.push((moved, *point));
        }
    }
    list.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
    list.into_iter().take(MOST).find_map(|(moved, point)| {
        let place = surface.points[point as usize];
        let owner = ground.owner(point)?;
        if ground.skin_adjacent(owner, joint) || ground.below_distance(joint, place) <= FAR * radius {
            return None;
        }
        let culprit = ground.heaviest_below(joint, point).unwrap_or(joint);
        let (_, axis) = lift(axes, origin, place, ANGLE);
        Some(Drag { posed: joint, culprit, owner, moved, axis, share: field.at(point), point })
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A right triangle pulled to three times its width and half its height; hand arithmetic.
    #[test]
    fn principal_stretches_are_those_of_the_map() {
        let rest = [DVec3::ZERO, DVec3::X, DVec3::Y];
        let posed = [DVec3::ZERO, DVec3::X * 3.0, DVec3::Y * 0.5];
        let (most, least) = stretches(rest, posed);
        assert!((most - 3.0).abs() < 1e-12 && (least - 0.5).abs() < 1e-12);
    }
}
