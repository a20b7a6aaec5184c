//! Influences and weights.

pub mod bad_joint;
pub mod carried_joint_weighted;
pub mod sum;
pub mod unweighted;
