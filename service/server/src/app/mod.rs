//! What the service does, one use case a file; no HTTP in here.

pub mod archive;
pub mod audit;
pub mod backup;
pub mod check;
pub mod difference;
pub mod figure;
pub mod history;
pub mod jobs;
pub mod offer;
pub mod parents;
pub mod recheck;
pub mod rejudge;
pub mod remove;
pub mod repair;
pub mod shelf;
pub mod source;
pub mod submit;
pub mod summary;
pub mod sweep;
pub mod tokens;
pub mod trial_bind;
pub mod waivers;
pub mod webhooks;
pub mod work;
