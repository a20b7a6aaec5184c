//! The one visible, sorted list of checks.

use super::Descriptor;
use crate::checks::{
    bind, budget, clips, forecast, naming, orientation, placement, policy, skin, structure, sweep,
};
use crate::model::nearest;

/// The version of the set of ids and default bands.
pub const CATALOGUE_VERSION: &str = "1.2.0";

/// Every check, sorted by id.
pub static CHECKS: &[&Descriptor] = &[
    &bind::count::CHECK,
    &bind::edited_after::CHECK,
    &bind::ignored_transform::CHECK,
    &bind::mixed_skins::CHECK,
    &bind::older_skeleton::CHECK,
    &bind::posed_rest::CHECK,
    &bind::singular::CHECK,
    &bind::skeleton_root::CHECK,
    &budget::bytes::CHECK,
    &budget::influences::CHECK,
    &budget::joints::CHECK,
    &budget::palette::CHECK,
    &budget::vertices::CHECK,
    &clips::r#loop::CHECK,
    &clips::range::CHECK,
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
    &naming::sequence::CHECK,
    &naming::side_mismatch::CHECK,
    &naming::side_missing::CHECK,
    &naming::side_on_centre::CHECK,
    &naming::standard::CHECK,
    &naming::style::CHECK,
    &naming::twin_disagrees::CHECK,
    &naming::twin_missing::CHECK,
    &orientation::hinge_axis::CHECK,
    &orientation::long_axis::CHECK,
    &orientation::mirror_twist::CHECK,
    &orientation::mixed_axes::CHECK,
    &orientation::not_rigid::CHECK,
    &orientation::scale::CHECK,
    &orientation::twist_drift::CHECK,
    &placement::coincident::CHECK,
    &placement::facing::CHECK,
    &placement::foot_width::CHECK,
    &placement::gap::CHECK,
    &placement::ground::CHECK,
    &placement::hinge_order::CHECK,
    &placement::mirror_drift::CHECK,
    &placement::off_centre::CHECK,
    &placement::outside_body::CHECK,
    &placement::piece_pivot::CHECK,
    &placement::proportion::CHECK,
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
    &skin::far_reach::CHECK,
    &skin::half_set::CHECK,
    &skin::leak::CHECK,
    &skin::loose_island::CHECK,
    &skin::mirror_weights::CHECK,
    &skin::negative::CHECK,
    &skin::precision::CHECK,
    &skin::rough::CHECK,
    &skin::seam::CHECK,
    &skin::sum::CHECK,
    &skin::too_many::CHECK,
    &skin::unmoved_part::CHECK,
    &skin::unweighted::CHECK,
    &structure::cycle::CHECK,
    &structure::depth::CHECK,
    &structure::doubtful_parent::CHECK,
    &structure::duplicate_name::CHECK,
    &structure::empty_joint::CHECK,
    &structure::group::CHECK,
    &structure::part_anchor::CHECK,
    &structure::part_chain::CHECK,
    &structure::part_missing::CHECK,
    &structure::part_size::CHECK,
    &structure::reference::CHECK,
    &structure::root::CHECK,
    &structure::stray_node::CHECK,
    &structure::unknown_member::CHECK,
    &structure::unknown_parent::CHECK,
    &structure::unparented::CHECK,
    &sweep::bump::CHECK,
    &sweep::collapse::CHECK,
    &sweep::drag::CHECK,
    &sweep::inversion::CHECK,
    &sweep::island::CHECK,
    &sweep::leak::CHECK,
    &sweep::left_behind::CHECK,
    &sweep::self_contact::CHECK,
    &sweep::stretch::CHECK,
    &sweep::tear::CHECK,
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
