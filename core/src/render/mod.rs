//! Reports for readers.

mod text;

pub use text::{Style, text};
