//! The one visible, sorted list of checks.

use super::Descriptor;
use crate::model::nearest;

/// The version of the set of ids and default bands.
pub const CATALOGUE_VERSION: &str = "1.0.0";

/// Every check, sorted by id.
pub static CHECKS: &[&Descriptor] = &[];

/// An id that no check has.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unknown {
    /// As asked.
    pub id: String,
    /// The nearest id or family.
    pub suggestion: Option<&'static str>,
}

/// The check with this id.
pub fn find(id: &str) -> Result<&'static Descriptor, Unknown> {
    CHECKS.iter().find(|check| check.id == id).copied().ok_or_else(|| Unknown {
        id: id.to_owned(),
        suggestion: nearest(id, CHECKS.iter().flat_map(|check| [check.id, check.family()])),
    })
}
