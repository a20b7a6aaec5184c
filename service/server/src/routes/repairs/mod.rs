//! `/v1/repairs`.

pub mod post;
