//! The skin as a surface: welded points, shells, edges.

mod radix;
pub mod surface;
mod weld;

pub use surface::{Edges, Half, Part, Shell, Surface};
pub use weld::NOWHERE;
