//! The skeletons of two rigs at rest.

use glam::{DMat3, DVec3};

use super::matching::Matching;
use super::{Moved, Renamed, Reparented, SkeletonChanges, Turned};
use crate::check::Labels;
use crate::facts::Facts;
use crate::finding::round;
use crate::model::{JointId, Parent, Rig};

/// Fraction of S below which a joint has not moved: far above what 32-bit numbers lose, far below what anybody sees.
const STILL: f64 = 1e-4;
/// Degrees below which a frame is not turned.
const UNTURNED: f64 = 0.05;

/// Two rigs with their joints matched.
pub(super) struct Compared<'a> {
    pub(super) before: &'a Rig,
    pub(super) now: &'a Rig,
    pub(super) old_names: Vec<String>,
    pub(super) new_names: Vec<String>,
    pub(super) matching: Matching,
    size: (f64, f64),
}

impl<'a> Compared<'a> {
    pub(super) fn new(before: &'a Rig, now: &'a Rig) -> Self {
        let (old_names, new_names) = (names(before), names(now));
        let size = (Facts::new(before).size().s, Facts::new(now).size().s);
        let matching = Matching::new(before, now, (&old_names, &new_names), size.0);
        Self { before, now, old_names, new_names, matching, size }
    }

    pub(super) fn changes(&self) -> SkeletonChanges {
        let tolerance = self.size.0 * STILL;
        let mut changes = SkeletonChanges {
            size_before_mm: round(self.size.0 * 1e3),
            size_now_mm: round(self.size.1 * 1e3),
            tolerance_mm: round(tolerance * 1e3),
            ..SkeletonChanges::default()
        };
        for (index, other) in self.matching.forth.iter().enumerate() {
            if other.is_none() {
                changes.removed.push(self.old_names[index].clone());
            }
        }
        for (index, other) in self.matching.back.iter().enumerate() {
            let name = &self.new_names[index];
            let Some(old) = other else {
                changes.added.push(name.clone());
                continue;
            };
            let mut same = true;
            let before = &self.old_names[old.index()];
            if before != name {
                changes.renamed.push(Renamed { before: before.clone(), now: name.clone() });
                same = false;
            }
            if self.hangs_otherwise(*old, index) {
                changes.reparented.push(Reparented {
                    joint: name.clone(),
                    before: parent_name(self.before, old.index(), &self.old_names),
                    now: parent_name(self.now, index, &self.new_names),
                });
                same = false;
            }
            if let Some(moved) = self.moved(*old, index, tolerance) {
                changes.moved.push(moved);
                same = false;
            }
            if let Some(turned) = self.turned(*old, index) {
                changes.turned.push(turned);
                same = false;
            }
            changes.same += u64::from(same);
        }
        changes
    }

    /// Whether a matched joint hangs from another joint than before; a parent that was renamed is the same parent.
    pub(super) fn hangs_otherwise(&self, old: JointId, now: usize) -> bool {
        match (&self.before.joints[old.index()].parent, &self.now.joints[now].parent) {
            (Parent::Joint(old), Parent::Joint(new)) => self.matching.forth[old.index()] != Some(*new),
            (old, new) => old != new,
        }
    }

    /// How a matched joint moved, where it did. Numbers that are not finite are for the checks.
    pub(super) fn moved(&self, old: JointId, now: usize, tolerance: f64) -> Option<Moved> {
        let (from, to) = (self.before.joints[old.index()].origin(), self.now.joints[now].origin());
        let way = to - from;
        if !way.is_finite() || way.length() <= tolerance {
            return None;
        }
        let carried = match &self.now.joints[now].parent {
            Parent::Joint(parent) if !self.hangs_otherwise(old, now) => self.matching.back[parent.index()]
                .map(|parent_before| {
                    self.now.joints[parent.index()].origin()
                        - self.before.joints[parent_before.index()].origin()
                }),
            _ => None,
        };
        let own = way - carried.filter(|way| way.is_finite()).unwrap_or(DVec3::ZERO);
        Some(Moved {
            joint: self.new_names[now].clone(),
            before: from.to_array().map(round),
            now: to.to_array().map(round),
            distance_mm: round(way.length() * 1e3),
            share: round(way.length() / self.size.0),
            own_mm: round(own.length() * 1e3),
        })
    }

    /// The tolerance for [`Self::moved`], metres.
    pub(super) fn tolerance(&self) -> f64 {
        self.size.0 * STILL
    }

    /// How a matched joint is turned at rest, where it is.
    pub(super) fn turned(&self, old: JointId, now: usize) -> Option<Turned> {
        let (old, new) = (&self.before.joints[old.index()], &self.now.joints[now]);
        let (from, to) = (axes(old.rest)?, axes(new.rest)?);
        let joint = self.new_names[now].clone();
        if (from.determinant() < 0.0) != (to.determinant() < 0.0) {
            return Some(Turned { joint, degrees: None });
        }
        let turn = from.transpose() * to;
        let sine = DVec3::new(
            turn.y_axis.z - turn.z_axis.y,
            turn.z_axis.x - turn.x_axis.z,
            turn.x_axis.y - turn.y_axis.x,
        )
        .length();
        let cosine = turn.x_axis.x + turn.y_axis.y + turn.z_axis.z - 1.0;
        let degrees = sine.atan2(cosine).to_degrees();
        (degrees > UNTURNED).then(|| Turned { joint, degrees: Some(round(degrees)) })
    }
}

/// The axes of a frame at unit length; nothing where one has no length.
fn axes(rest: glam::DMat4) -> Option<DMat3> {
    let columns = [rest.x_axis, rest.y_axis, rest.z_axis].map(|column| column.truncate().normalize_or_zero());
    let axes = DMat3::from_cols(columns[0], columns[1], columns[2]);
    (axes.is_finite() && axes.determinant().abs() > 1e-6).then_some(axes)
}

fn names(rig: &Rig) -> Vec<String> {
    let labels = Labels::new(rig);
    (0..rig.joints.len()).map(|index| labels.joint(JointId::new(index)).to_owned()).collect()
}

fn parent_name(rig: &Rig, joint: usize, names: &[String]) -> Option<String> {
    match &rig.joints[joint].parent {
        Parent::Joint(parent) => Some(names[parent.index()].clone()),
        Parent::Unknown(text) => Some(text.clone()),
        Parent::Root | Parent::Undecided => None,
    }
}
