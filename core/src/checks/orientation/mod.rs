//! Which way joints are turned.

pub mod mirror_twist;
pub mod not_rigid;
pub mod twist_drift;
