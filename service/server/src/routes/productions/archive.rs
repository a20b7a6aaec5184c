//! `/v1/productions/{production}/archive`.

pub mod get;
pub mod post;
