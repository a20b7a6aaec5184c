//! End to end, through HTTP. The modules mirror the URLs.
#![expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

mod assets;
mod checks;
mod concurrency;
mod conditions;
mod documents;
mod failures;
mod hostile;
mod jobs;
mod lifecycle;
mod parents;
mod policy;
mod problems;
mod rechecks;
mod repairs;
mod storage;
mod system;
mod trial_binds;
mod wire;
