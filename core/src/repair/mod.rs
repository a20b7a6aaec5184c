//! Applying the fixes that findings carry, to the document itself: what is not touched keeps every byte.
//!
//! | module | holds |
//! |---|---|
//! | `rounds` | check, fix, check again, until nothing changes |
//! | `pass` | the fixes of one report, together |
//! | `document`, `patch`, `touched` | JSON that keeps its text; RFC 6902 on it; what two fixes both want |
//! | `edits` | values and patches as places in the text |
//! | `gltf` | the named repairs of a glTF, and writing accessors |
//! | `listing` | what was done, on the wire |

mod container;
mod document;
mod edits;
mod gltf;
mod listing;
mod pass;
mod patch;
mod plan;
mod rounds;
mod source;
mod touched;

pub use edits::{Edit, Written};
pub use gltf::{Bound, PosedModel, bind_model, pose_model, repair_names};
pub use listing::{Change, Conflict, Fixed, Left, Repairs, Resolution};
pub use pass::Outcome;
pub use plan::{PlanConflict, RepairedPlan, repair_plan};
pub use rounds::{RepairError, Repaired, Which, apply_fixes, repair};
pub use source::Form;
pub use touched::Clash;
