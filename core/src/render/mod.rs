//! Reports for readers.

mod parents;
mod text;

pub use parents::parents;
pub use text::{Style, text};
