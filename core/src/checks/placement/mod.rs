//! Where joints stand.

pub mod coincident;
pub mod gap;
pub mod mirror_drift;
pub mod piece_pivot;
pub mod scale;
pub mod zero_length;
