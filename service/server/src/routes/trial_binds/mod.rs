//! Trial binds.

pub mod post;
