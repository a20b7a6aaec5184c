//! Faults of a plan against its body, which a trial bind shows.

pub(super) mod body;
pub(super) mod plan;
