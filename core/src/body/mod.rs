//! The skin as a surface: welded points, shells, edges, clean influences, and what follows from them.

pub mod geodesic;
pub mod near;
pub mod patches;
mod radix;
pub mod reach;
pub mod skinning;
pub mod surface;
mod weld;

pub use patches::{Patches, Stray, StrayKind};
pub use reach::{Radius, Reach};
pub use skinning::{Influence, RowScan, Skinning};
pub use surface::{Edges, Half, Part, Shell, Surface};
pub use weld::NOWHERE;
