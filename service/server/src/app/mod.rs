//! What the service does, one use case a file; no HTTP in here.

pub mod check;
pub mod jobs;
pub mod offer;
pub mod parents;
pub mod recheck;
pub mod repair;
pub mod shelf;
pub mod submit;
pub mod trial_bind;
pub mod work;
