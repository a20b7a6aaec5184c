//! The skin as a surface: welded points, shells, edges.

pub mod inside;
mod radix;
pub mod surface;
pub(crate) mod triangles;
mod weld;

pub use inside::{Body, Solid};
pub use surface::{Edges, Half, Part, Shell, Surface};
pub use triangles::{Nearest, Soup, Triangles};
pub use weld::NOWHERE;
