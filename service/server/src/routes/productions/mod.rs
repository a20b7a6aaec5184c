//! `/v1/productions`.

pub mod list;
pub mod policy;
