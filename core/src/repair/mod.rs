//! Applying the fixes that findings carry.

mod plan;

pub use plan::{Conflict, Repaired, Which, repair_plan};
