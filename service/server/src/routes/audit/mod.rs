//! `/v1/audit`.

pub mod get;
