//! What a studio agreed on, against what it finds.

pub mod expired_waiver;
pub mod unmatched_waiver;
