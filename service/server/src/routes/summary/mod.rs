//! `/v1/summary`.

pub mod get;
