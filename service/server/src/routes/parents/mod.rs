//! `/v1/parents`.

pub mod post;
