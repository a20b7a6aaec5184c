//! Influences and weights.

pub mod bad_joint;
pub mod bad_vertex;
pub mod carried_joint_weighted;
pub mod duplicate_influence;
pub mod dust;
pub mod far_reach;
pub mod half_set;
pub mod leak;
pub mod loose_island;
pub mod mirror_weights;
pub mod negative;
pub mod precision;
pub mod rough;
pub mod seam;
pub mod sum;
pub mod too_many;
pub mod unmoved_part;
pub mod unweighted;
