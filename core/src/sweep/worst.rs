//! The worst pose of each joint: the one whose measure is farthest beyond the limit that it has unless a profile says
//! otherwise.

use super::poses::{ANGLE, Pose, TEAR_ANGLE, axes, lift};
use super::tour::Tour;
use crate::check::{Bound, CHECKS};
use crate::facts::Facts;
use crate::model::JointId;

/// Of its limit, a smaller measure is not worth a look.
const LEAST: f64 = 0.1;

/// A pose to look at.
#[derive(Debug, Clone)]
pub struct Shown {
    /// The joint that is turned.
    pub joint: JointId,
    /// How.
    pub pose: Pose,
    /// The check that measures it.
    pub check: &'static str,
    /// What it measured, as a multiple of the check's limit.
    pub ratio: f64,
    /// The joints that are moved along, the joint itself first: reattached limb ends hang from their limbs (D17).
    pub moved: Vec<JointId>,
}

/// The worst pose of each joint that has one, by joint.
pub fn worst(facts: &Facts<'_>) -> Vec<Shown> {
    let facts = facts.body().unwrap_or(facts);
    let (sweep, surface, s) = (facts.sweep(), facts.surface(), facts.s());
    let mut best: Vec<Option<(f64, &'static str, Pose)>> = vec![None; facts.rig().joints.len()];
    let mut offer = |joint: JointId, check: &'static str, band: &str, measured: f64, pose: Pose| {
        let Some((limit, bound)) = limit(check, band) else { return };
        let ratio = if bound == Bound::Below { limit / measured } else { measured / limit };
        let known = &mut best[joint.index()];
        if ratio.is_finite() && ratio >= LEAST && known.is_none_or(|known| ratio > known.0) {
            *known = Some((ratio, check, pose));
        }
    };
    let at = |axis, degrees| Pose { axis, degrees };
    for leak in &sweep.gaps {
        offer(leak.posed, "sweep/leak", "gap", leak.moved / s, at(leak.axis, ANGLE));
    }
    for tear in &sweep.tears {
        offer(tear.posed, "sweep/tear", "gap", tear.gap / s, at(tear.axis, TEAR_ANGLE));
    }
    for drag in &sweep.drags {
        offer(drag.posed, "sweep/drag", "drag", drag.moved / s, at(drag.axis, ANGLE));
    }
    for island in &sweep.islands {
        let band = if island.jointed { "medium" } else { "loose" };
        offer(island.posed, "sweep/island", band, island.residual * 100.0, island.pose);
    }
    for hole in sweep.deep.iter().chain(&sweep.holes) {
        let place = surface.points[hole.peak as usize];
        let (_, axis) = lift(&axes(facts, hole.posed), facts.origin(hole.posed), place, ANGLE);
        offer(hole.posed, "sweep/left-behind", "hole", hole.share * 100.0, at(axis, ANGLE));
    }
    for contact in &sweep.contacts {
        offer(contact.joint, "sweep/self-contact", "contact", contact.pose.degrees.abs(), contact.pose);
    }
    for swept in &sweep.joints {
        let Some(damage) = swept.damage else { continue };
        let list = [
            ("sweep/stretch", "stretched", damage.stretched),
            ("sweep/stretch", "squeezed", damage.squeezed),
            ("sweep/inversion", "inversion", damage.inverted),
        ];
        for (check, band, worst) in list {
            if let Some(worst) = worst {
                offer(swept.joint, check, band, worst.amount * 100.0, worst.pose);
            }
        }
        if let Some(worst) = damage.collapse {
            offer(swept.joint, "sweep/collapse", "collapse", worst.beyond * 100.0, worst.pose);
        }
    }
    let tour = Tour::new(facts);
    best.into_iter()
        .enumerate()
        .filter_map(|(index, found)| {
            let (ratio, check, pose) = found?;
            let joint = JointId::new(index);
            let moved = tour.order[tour.below(joint)].to_vec();
            Some(Shown { joint, pose, check, ratio, moved })
        })
        .collect()
}

fn limit(check: &str, band: &str) -> Option<(f64, Bound)> {
    let check = CHECKS.iter().find(|one| one.id == check)?;
    let band = check.bands.iter().find(|one| one.name == band)?;
    (band.limit > 0.0).then_some((band.limit, band.bound))
}
