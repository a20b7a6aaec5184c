//! `/v1/events`.

pub mod get;
