//! The one visible, sorted list of checks.

use super::Descriptor;
use crate::checks::{bind, naming, orientation, placement, skin, structure};
use crate::model::nearest;

/// The version of the set of ids and default bands.
pub const CATALOGUE_VERSION: &str = "1.0.0";

/// Every check, sorted by id.
pub static CHECKS: &[&Descriptor] = &[
    &bind::edited_after::CHECK,
    &bind::posed_rest::CHECK,
    &naming::copy_leftover::CHECK,
    &naming::side_mismatch::CHECK,
    &orientation::mirror_twist::CHECK,
    &orientation::not_rigid::CHECK,
    &orientation::twist_drift::CHECK,
    &placement::mirror_drift::CHECK,
    &placement::zero_length::CHECK,
    &skin::bad_joint::CHECK,
    &skin::carried_joint_weighted::CHECK,
    &skin::sum::CHECK,
    &skin::unweighted::CHECK,
    &structure::cycle::CHECK,
    &structure::doubtful_parent::CHECK,
    &structure::duplicate_name::CHECK,
    &structure::part_anchor::CHECK,
    &structure::root::CHECK,
    &structure::unknown_parent::CHECK,
];

/// An id that no check has.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unknown {
    /// As asked.
    pub id: String,
    /// The nearest id or family.
    pub suggestion: Option<&'static str>,
}

/// The check with this id.
pub fn find(id: &str) -> Result<&'static Descriptor, Unknown> {
    CHECKS.iter().find(|check| check.id == id).copied().ok_or_else(|| Unknown {
        id: id.to_owned(),
        suggestion: nearest(id, CHECKS.iter().flat_map(|check| [check.id, check.family()])),
    })
}
