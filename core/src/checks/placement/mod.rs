//! Where joints stand.

pub mod coincident;
pub mod facing;
pub mod foot_width;
pub mod gap;
pub mod ground;
pub mod hinge_order;
pub mod mirror_drift;
pub mod off_centre;
pub mod outside_body;
pub mod piece_pivot;
pub mod proportion;
pub mod scale;
pub mod straight_hinge;
pub mod zero_length;
