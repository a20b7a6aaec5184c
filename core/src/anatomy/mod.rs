//! Published measures of the human body, as data: proportions and ranges of motion.
//!
//! They judge pictures, not people: they are no medical guidance.

pub(crate) mod limbs;
pub mod motion;
pub mod proportions;

/// How a value was come by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// Read in the source named.
    Read,
    /// Met in a second-hand copy of the source.
    SecondHand,
    /// From memory: to be verified before more than a note hangs on it.
    Memory,
}
