//! The skin as a surface: welded points, shells, edges, clean influences, and what follows from them.

mod caps;
mod crossings;
mod far;
pub mod geodesic;
pub mod inside;
pub mod near;
pub(crate) mod pairs;
pub mod patches;
mod radix;
pub mod reach;
pub(crate) mod sets;
pub mod skinning;
pub(crate) mod starts;
pub mod surface;
pub(crate) mod triangles;
mod weld;

pub use inside::{Body, Solid};
pub use patches::{Patches, Stray, StrayKind};
pub use reach::{Radius, Reach};
pub use skinning::{Influence, RowScan, Skinning};
pub use surface::{Edges, Half, Part, Shell, Surface};
pub use triangles::{Nearest, Soup, Triangles};
pub use weld::NOWHERE;
