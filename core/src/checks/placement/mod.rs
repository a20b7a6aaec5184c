//! Where joints stand.

pub mod mirror_drift;
pub mod zero_length;
