//! `/v1/checks`.

pub mod post;
