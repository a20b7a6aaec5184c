//! The page for people: plain HTML, nothing from outside, no script.

pub mod index;
pub mod page;
pub mod revision;
