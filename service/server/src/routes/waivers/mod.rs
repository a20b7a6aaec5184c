//! `/v1/waivers`.

pub mod get;
pub mod past;
pub mod put;
