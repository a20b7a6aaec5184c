//! `/v1/sweeps`.

pub mod post;
