//! The pages for people: plain HTML, nothing from outside, no script.

pub mod check;
pub mod difference;
pub mod index;
pub(crate) mod markdown;
pub mod page;
pub mod revision;
pub mod sign_in;
