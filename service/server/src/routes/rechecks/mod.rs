//! `/v1/rechecks`.

pub mod cancel;
pub mod get;
pub mod list;
pub mod pause;
pub mod post;
pub mod results;
pub mod resume;
