//! End to end, through HTTP. The modules mirror the URLs.
#![expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

mod access;
mod archive;
mod assets;
mod backup;
mod checks;
mod concurrency;
mod conditions;
mod dashboards;
mod differences;
mod documents;
mod events;
mod failures;
mod forms;
mod history;
mod hostile;
mod jobs;
mod lifecycle;
mod metrics;
mod parents;
mod pinned;
mod policy;
mod problems;
mod rechecks;
mod removal;
mod repairs;
mod slow;
mod storage;
mod system;
mod tls;
mod tokens;
mod traces;
mod trial_binds;
mod waiver_ends;
mod webhooks;
mod wire;
