//! Condyle's rig analysis: bytes in, a rig, checks, a report. Pure: no I/O, no async, no clock.
//!
//! | module | holds |
//! |---|---|
//! | [`model`] | the rig that plans and glTF are read into |
//! | [`intake`] | bounds-checked reading |
#![warn(missing_docs)]

#[cfg(feature = "demo")]
pub mod demo;
#[cfg(feature = "export")]
pub mod export;
pub mod intake;
pub mod model;
