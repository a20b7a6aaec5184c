//! What the skin would do if it were bound to the plan: a trial bind of the plan and its body.

pub mod carried_joint;
pub mod coarse_mesh;
pub mod idle;
pub mod leak;
pub mod over_reach;
pub mod unreached;
