//! Rigs for tests: the line notation of the check pages, and faults planted by name.

mod document;
mod fault;
mod model;
pub mod mutation;
pub mod notation;
mod parse;
pub mod plant;
mod retarget;

pub use document::with_document;
pub use mutation::Mutation;
pub use notation::{Expectation, NotationError, build, build_body, build_reference, expectations, profile};
