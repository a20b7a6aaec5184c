//! `/v1/productions`.

pub mod archive;
pub mod badge;
pub mod list;
pub mod policy;
