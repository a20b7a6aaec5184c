//! `/v1/productions`.

pub mod list;
