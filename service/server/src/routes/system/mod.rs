//! Probes, metrics and the description.

pub mod docs;
pub mod health;
pub mod metrics;
pub mod openapi;
pub mod problem;
