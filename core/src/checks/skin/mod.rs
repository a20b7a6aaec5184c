//! Influences and weights.

pub mod bad_joint;
pub mod bad_vertex;
pub mod carried_joint_weighted;
pub mod duplicate_influence;
pub mod dust;
pub mod half_set;
pub mod negative;
pub mod sum;
pub mod too_many;
pub mod unweighted;
