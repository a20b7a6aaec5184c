//! Small shells that lose their shape: buttons, teeth, buckles.

use glam::DVec3;

use super::field::Field;
use super::ground::Ground;
use super::poses::{ANGLE, Axis, Motion, Pose, both_ways};
use crate::body::NOWHERE;
use crate::body::starts::sum_up;
use crate::model::JointId;

/// Larger shells may bend, fraction of S.
const LARGEST: f64 = 0.15;
/// A smaller difference of following within a shell is not looked at.
const EVEN: f32 = 0.02;
/// A joint as near as this to a shell's box stands in it, fraction of the shell's extent.
const BESIDE: f64 = 0.1;
/// Residual from which an island is kept: half of what any band asks for.
const LEAST: f64 = 0.025;

/// A shell that deforms in a pose.
#[derive(Debug, Clone, Copy)]
pub struct Island {
    /// The shell.
    pub shell: u32,
    /// The joint that is turned.
    pub posed: JointId,
    /// The pose.
    pub pose: Pose,
    /// Root of the mean squared distance to the best rigid motion of the shell, over the root of its mean squared
    /// radius.
    pub residual: f64,
    /// Its largest extent, fraction of S.
    pub size: f64,
    /// A point of it.
    pub point: u32,
    /// The joint that is turned stands in it: it may be made to bend there.
    pub jointed: bool,
}

/// Points of small shells.
#[derive(Debug)]
pub(super) struct Shells {
    starts: Vec<u32>,
    points: Vec<u32>,
}

impl Shells {
    pub(super) fn new(ground: &Ground<'_, '_>) -> Self {
        let (surface, s) = (ground.surface, ground.facts.s());
        let small: Vec<bool> = surface
            .shells
            .iter()
            .map(|shell| (shell.high - shell.low).max_element() < LARGEST * s && shell.points > 3)
            .collect();
        let mut starts = vec![0_u32; surface.shells.len() + 1];
        let of = |point: usize| {
            let shell = surface.shell_of[point];
            (shell != NOWHERE && small[shell as usize]).then_some(shell as usize)
        };
        for point in 0..surface.points.len() {
            if let Some(shell) = of(point) {
                starts[shell] += 1;
            }
        }
        let sum = sum_up(&mut starts);
        let mut next = starts.clone();
        let mut points = vec![0; sum as usize];
        for point in 0..surface.points.len() {
            if let Some(shell) = of(point) {
                points[next[shell] as usize] = point as u32;
                next[shell] += 1;
            }
        }
        Self { starts, points }
    }

    fn of(&self, shell: u32) -> &[u32] {
        &self.points[self.starts[shell as usize] as usize..self.starts[shell as usize + 1] as usize]
    }
}

/// The shells that a joint's poses deform, each in its worst pose.
pub(super) fn islands(
    ground: &Ground<'_, '_>,
    shells: &Shells,
    field: &mut Field,
    joint: JointId,
    axes: &[Axis; 3],
) -> Vec<Island> {
    let surface = ground.surface;
    field.forget();
    let mut found = Vec::new();
    for at in 0..field.points.len() {
        let point = field.points[at];
        let shell = surface.shell_of[point as usize];
        if shell == NOWHERE {
            continue;
        }
        let list = shells.of(shell);
        // A shell is met at its first point; the mark on it says so.
        let Some(first) = list.first() else { continue };
        if !field.first(*first) || list.iter().any(|point| !ground.columns.known[*point as usize]) {
            continue;
        }
        let (least, most) = list.iter().fold((1.0_f32, 0.0_f32), |(least, most), point| {
            (least.min(field.at(*point)), most.max(field.at(*point)))
        });
        if most - least < EVEN || own_skin(ground, list, joint) {
            continue;
        }
        let extent = (surface.shells[shell as usize].high - surface.shells[shell as usize].low).max_element();
        let origin = ground.facts.origin(joint);
        let worst = both_ways(axes, ANGLE)
            .into_iter()
            .map(|pose| {
                let motion = Motion::new(&pose, ground.blend);
                let moved = |point: &u32| {
                    let arm = surface.points[*point as usize] - origin;
                    motion.place(arm, f64::from(field.at(*point)))
                };
                let rest = |point: &u32| surface.points[*point as usize] - origin;
                (residual(list.iter().map(|point| (rest(point), moved(point)))), pose)
            })
            .reduce(|worst, next| if next.0 > worst.0 { next } else { worst });
        if let Some((residual, pose)) = worst.filter(|(residual, _)| *residual > LEAST) {
            let size = extent / ground.facts.s();
            let (low, high) = (surface.shells[shell as usize].low, surface.shells[shell as usize].high);
            let margin = DVec3::splat(BESIDE * extent);
            let jointed = origin.cmpge(low - margin).all() && origin.cmple(high + margin).all();
            found.push(Island { shell, posed: joint, pose, residual, size, point: *first, jointed });
        }
    }
    found
}

/// Whether a joint has most of its skin on these points: a hand, an ear or a fin that is modelled as a shell of its own
/// bends on purpose.
fn own_skin(ground: &Ground<'_, '_>, points: &[u32], joint: JointId) -> bool {
    let own = points.iter().filter(|point| ground.owner(**point) == Some(joint)).count();
    ground.facts.reach().radius[joint.index()].is_some_and(|radius| own * 2 > radius.dominated)
}

/// How badly the best rigid motion fits: root mean square residual over root mean square radius at rest.
///
/// The best rotation makes Σ p'·Rp largest; that maximum is the largest eigenvalue of a symmetric 4 × 4 matrix of the
/// pairs' covariances (Horn, Closed-form solution of absolute orientation using unit quaternions, JOSA A 4(4), 1987).
pub(super) fn residual(pairs: impl Iterator<Item = (DVec3, DVec3)> + Clone) -> f64 {
    let (mut count, mut centre, mut moved) = (0.0, DVec3::ZERO, DVec3::ZERO);
    for (a, b) in pairs.clone() {
        count += 1.0;
        centre += a;
        moved += b;
    }
    let (centre, moved) = (centre / count, moved / count);
    let (mut rest, mut posed) = (0.0, 0.0);
    let mut s = [[0.0_f64; 3]; 3];
    for (a, b) in pairs {
        let (a, b) = (a - centre, b - moved);
        rest += a.length_squared();
        posed += b.length_squared();
        for (row, from) in s.iter_mut().zip(a.to_array()) {
            for (cell, to) in row.iter_mut().zip(b.to_array()) {
                *cell += from * to;
            }
        }
    }
    if rest <= 0.0 {
        return 0.0;
    }
    let [[xx, xy, xz], [yx, yy, yz], [zx, zy, zz]] = s;
    let horn = [
        [xx + yy + zz, yz - zy, zx - xz, xy - yx],
        [yz - zy, xx - yy - zz, xy + yx, zx + xz],
        [zx - xz, xy + yx, yy - xx - zz, yz + zy],
        [xy - yx, zx + xz, yz + zy, zz - xx - yy],
    ];
    ((rest + posed - 2.0 * largest_eigenvalue(horn)).max(0.0) / rest).sqrt()
}

/// By Jacobi rotations (Golub and Van Loan, Matrix Computations, 8.5): eight sweeps bring 4 × 4 to machine precision.
fn largest_eigenvalue(mut m: [[f64; 4]; 4]) -> f64 {
    for _ in 0..8 {
        for p in 0..3 {
            for q in p + 1..4 {
                if m[p][q] == 0.0 {
                    continue;
                }
                let theta = (m[q][q] - m[p][p]) / (2.0 * m[p][q]);
                let t = theta.signum() / (theta.abs() + (theta * theta + 1.0).sqrt());
                let c = 1.0 / (t * t + 1.0).sqrt();
                let s = t * c;
                for row in &mut m {
                    let (a, b) = (row[p], row[q]);
                    row[p] = c * a - s * b;
                    row[q] = s * a + c * b;
                }
                let (first, second) = (m[p], m[q]);
                m[p] = std::array::from_fn(|k| c * first[k] - s * second[k]);
                m[q] = std::array::from_fn(|k| s * first[k] + c * second[k]);
            }
        }
    }
    (0..4).map(|k| m[k][k]).fold(f64::NEG_INFINITY, f64::max)
}

#[cfg(test)]
mod tests {
    use super::*;
    use glam::DQuat;

    const CORNERS: [DVec3; 4] = [DVec3::ZERO, DVec3::X, DVec3::new(0.0, 2.0, 0.0), DVec3::new(0.0, 0.0, 3.0)];

    #[test]
    fn a_rigid_motion_leaves_nothing() {
        let turn = DQuat::from_axis_angle(DVec3::new(1.0, 2.0, 2.0) / 3.0, 1.2);
        let pairs = CORNERS.map(|p| (p, turn * p + DVec3::new(4.0, 5.0, 6.0)));
        assert!(residual(pairs.into_iter()) < 1e-7);
    }

    /// Two points pulled from 2 apart to 3 apart: each is off by 1/2, at a radius of 1.
    #[test]
    fn a_stretch_is_half_its_length_off() {
        let pairs = [(DVec3::X, DVec3::X * 1.5), (-DVec3::X, DVec3::X * -1.5)];
        assert!((residual(pairs.into_iter()) - 0.5).abs() < 1e-12);
    }

    /// A mirrored shape is no rotated one: the best rotation of ±x, ±2y, ±3z onto its image in the yz plane leaves x
    /// and its like 2 off: sqrt(2·2² / (2·(1 + 4 + 9))) = sqrt(4/14).
    #[test]
    fn mirroring_is_not_a_rotation() {
        let axes = [DVec3::X, DVec3::Y * 2.0, DVec3::Z * 3.0];
        let pairs = axes.into_iter().flat_map(|p| [p, -p]).map(|p| (p, p * DVec3::new(-1.0, 1.0, 1.0)));
        assert!((residual(pairs) - (4.0_f64 / 14.0).sqrt()).abs() < 1e-12);
    }
}
