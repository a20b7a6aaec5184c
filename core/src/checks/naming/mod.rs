//! What names say, against what the rig is.

pub mod copy_leftover;
pub mod side_mismatch;
