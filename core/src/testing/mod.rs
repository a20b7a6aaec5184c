//! Rigs for tests: the line notation of the check pages, and faults planted by name.

mod glb;
pub mod notation;
mod parse;

pub use notation::{Expectation, NotationError, build, expectations};
