//! The checks, one file pair each: `<family>/<name>.rs` and `<family>/<name>.md`.

pub mod bind;
pub mod budget;
pub mod clips;
pub mod forecast;
pub mod naming;
pub mod orientation;
pub mod placement;
pub mod policy;
pub mod skin;
pub mod structure;
pub mod sweep;
