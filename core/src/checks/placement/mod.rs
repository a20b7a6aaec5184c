//! Where joints stand.

pub mod coincident;
pub mod gap;
pub mod hinge_order;
pub mod mirror_drift;
pub mod piece_pivot;
pub mod scale;
pub mod straight_hinge;
pub mod zero_length;
