//! Which way joints are turned.

pub mod hinge_axis;
pub mod long_axis;
pub mod mirror_twist;
pub mod mixed_axes;
pub mod not_rigid;
pub mod scale;
pub mod twist_drift;
