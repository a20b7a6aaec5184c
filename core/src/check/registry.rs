//! The one visible, sorted list of checks.

use super::Descriptor;
use crate::checks::{bind, budget, clips, forecast, naming, orientation, placement, policy, skin, structure};
use crate::model::nearest;

/// The version of the set of ids and default bands.
pub const CATALOGUE_VERSION: &str = "1.0.0";

/// Every check, sorted by id.
pub static CHECKS: &[&Descriptor] = &[
    &bind::edited_after::CHECK,
    &bind::posed_rest::CHECK,
    &budget::bytes::CHECK,
    &budget::influences::CHECK,
    &budget::joints::CHECK,
    &budget::palette::CHECK,
    &budget::vertices::CHECK,
    &clips::r#loop::CHECK,
    &clips::root_drift::CHECK,
    &clips::rotation::CHECK,
    &clips::scale::CHECK,
    &clips::target::CHECK,
    &clips::times::CHECK,
    &forecast::carried_joint::CHECK,
    &forecast::coarse_mesh::CHECK,
    &forecast::idle::CHECK,
    &forecast::leak::CHECK,
    &forecast::over_reach::CHECK,
    &forecast::unreached::CHECK,
    &naming::copy_leftover::CHECK,
    &naming::side_mismatch::CHECK,
    &orientation::hinge_axis::CHECK,
    &orientation::long_axis::CHECK,
    &orientation::mirror_twist::CHECK,
    &orientation::mixed_axes::CHECK,
    &orientation::not_rigid::CHECK,
    &orientation::scale::CHECK,
    &orientation::twist_drift::CHECK,
    &placement::coincident::CHECK,
    &placement::gap::CHECK,
    &placement::hinge_order::CHECK,
    &placement::mirror_drift::CHECK,
    &placement::piece_pivot::CHECK,
    &placement::scale::CHECK,
    &placement::straight_hinge::CHECK,
    &placement::zero_length::CHECK,
    &policy::expired_waiver::CHECK,
    &policy::unmatched_waiver::CHECK,
    &skin::bad_joint::CHECK,
    &skin::bad_vertex::CHECK,
    &skin::carried_joint_weighted::CHECK,
    &skin::duplicate_influence::CHECK,
    &skin::dust::CHECK,
    &skin::half_set::CHECK,
    &skin::negative::CHECK,
    &skin::sum::CHECK,
    &skin::too_many::CHECK,
    &skin::unweighted::CHECK,
    &structure::cycle::CHECK,
    &structure::duplicate_name::CHECK,
    &structure::reference::CHECK,
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
