//! `/v1/differences`.

pub mod post;
