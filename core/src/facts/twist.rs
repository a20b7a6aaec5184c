//! Twist along chains (D8): a joint's frame against its predecessor's, carried along the chain by the smallest
//! rotation (the rotation-minimizing frame of a polyline).

use glam::{DQuat, DVec3};

use super::Facts;
use crate::model::JointId;

/// One link of a chain.
#[derive(Debug, Clone, Copy)]
pub struct Link {
    /// The joint.
    pub joint: JointId,
    /// Its predecessor.
    pub parent: JointId,
    /// Degrees, −180 to 180, about the joint's long axis.
    pub twist: f64,
    /// Degrees between the two long axes.
    pub bend: f64,
}

impl Link {
    /// The twist beyond the nearest quarter turn, degrees, −45 to 45.
    pub fn beyond_quarter(&self) -> f64 {
        self.twist - 90.0 * (self.twist / 90.0).round()
    }
}

/// The twist along one chain.
#[derive(Debug)]
pub struct Twist {
    /// Links in chain order; empty when frames are degenerate.
    pub links: Vec<Link>,
}

pub(super) fn along_chains(facts: &Facts<'_>) -> Vec<Twist> {
    let Some(axis) = facts.long_axis() else { return Vec::new() };
    let across = DVec3::AXES[(axis.axis as usize + 2) % 3];
    let frames = &facts.bind().joints;
    let oriented = |joint: JointId| {
        let this = &facts.rig().joints[joint.index()];
        this.node.is_some() || this.rotation.is_some()
    };
    facts
        .chains()
        .iter()
        .map(|chain| Twist {
            links: chain
                .windows(2)
                .filter(|pair| pair.iter().all(|j| oriented(*j)))
                .filter_map(|pair| {
                    let (from, to) = (&frames[pair[0].index()].basis, &frames[pair[1].index()].basis);
                    let along = |joint: JointId| facts.long_axis_of(joint).map(super::Cardinal::vector);
                    let (up, down) = (along(pair[0])?, along(pair[1])?);
                    let (twist, bend) = turn_about(*from * up, *from * across, *to * down, *to * across)?;
                    Some(Link { joint: pair[1], parent: pair[0], twist, bend })
                })
                .collect(),
        })
        .collect()
}

/// Twist and bend, degrees, between two frames given by their long axis and one axis across it.
pub fn turn_about(from: DVec3, from_across: DVec3, to: DVec3, to_across: DVec3) -> Option<(f64, f64)> {
    let (from, to) = (from.try_normalize()?, to.try_normalize()?);
    let carry = DQuat::from_rotation_arc(from, to);
    let carried = (carry * from_across).reject_from_normalized(to).try_normalize()?;
    let found = to_across.reject_from_normalized(to).try_normalize()?;
    let twist = to.dot(carried.cross(found)).atan2(carried.dot(found)).to_degrees();
    Some((twist, from.angle_between(to).to_degrees()))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The carried frame of a polyline inscribed in a helix against the exact rotation-minimizing frame of the curve
    /// (Wang, Jüttler, Zheng, Liu 2008; closed form: over one turn of (cos t, sin t, t/2) the frame turns against the
    /// normal by −2π·0.5/√1.25 = −2.809926 rad, −160.996913°, because the torsion over the speed is constant).
    #[test]
    fn along_a_helix_the_carried_frame_turns_by_the_closed_form() {
        use std::f64::consts::TAU;
        let tangent = |t: f64| DVec3::new(-t.sin(), t.cos(), 0.5).normalize();
        let normal = |t: f64| DVec3::new(-t.cos(), -t.sin(), 0.0);
        let off = |segments: usize| {
            // Each step's twist of the curve's normal against the carried one adds up to the whole turn.
            let total: f64 = (0..segments)
                .map(|step| {
                    let (a, b) =
                        (step as f64 / segments as f64 * TAU, (step + 1) as f64 / segments as f64 * TAU);
                    turn_about(tangent(a), normal(a), tangent(b), normal(b))
                        .map_or(f64::NAN, |(twist, _)| twist)
                })
                .sum();
            // The normal turns against the frame as the frame does against the normal, the other way round.
            (-total - -160.996_913).abs()
        };
        let (coarse, fine) = (off(64), off(128));
        assert!(coarse < 0.2 && fine < 0.05, "{coarse} {fine}");
        // Carrying by the smallest rotation is of second order: half the step, a quarter of the error.
        assert!((3.5..4.5).contains(&(coarse / fine)), "{coarse} {fine}");
    }

    /// A planar curve's binormal never turns (Wang, Jüttler, Zheng, Liu, ACM TOG 27(1) 2008, §1).
    #[test]
    fn a_planar_bend_has_no_twist_and_a_turn_about_the_length_is_measured() {
        let t = |degrees: f64| DVec3::new(degrees.to_radians().sin(), degrees.to_radians().cos(), 0.0);
        let (twist, bend) = turn_about(t(0.0), DVec3::Z, t(40.0), DVec3::Z).unwrap_or((9.0, 9.0));
        assert!(twist.abs() < 1e-9 && (bend - 40.0).abs() < 1e-9);
        let turned = DQuat::from_axis_angle(t(40.0), 25_f64.to_radians()) * DVec3::Z;
        let (twist, _) = turn_about(t(0.0), DVec3::Z, t(40.0), turned).unwrap_or((9.0, 9.0));
        assert!((twist - 25.0).abs() < 1e-9);
    }
}
