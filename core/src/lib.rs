//! Condyle's rig analysis: bytes in, a rig, checks, a report. Pure: no I/O, no async, no clock.
//!
//! | module | holds |
//! |---|---|
//! | [`model`] | the rig that plans and glTF are read into |
//! | [`intake`] | bounds-checked reading: bytes to a rig, or a typed fault with its place |
//! | [`bind`] | the trial bind: the weights that a skeleton would get |
//! | [`body`] | the skin as a surface: welded points, shells, edges |
//! | [`facts`] | what checks share: size, tips, twins, mirror plane, axes, chains |
//! | [`check`] | descriptor, registry, profile, sink, runner |
//! | [`checks`] | the rules themselves, one file pair each |
//! | [`finding`], [`report`] | what a check states, and its wire form |
//! | [`render`] | reports for readers |
//! | [`repair`] | applying the fixes |
//! | `testing` | rigs in a line notation, for tests (feature `testing`) |
#![warn(missing_docs)]

pub mod bind;
pub mod body;
pub mod check;
pub mod checks;
#[cfg(feature = "demo")]
pub mod demo;
#[cfg(feature = "export")]
pub mod export;
pub mod facts;
pub mod finding;
pub mod intake;
pub mod model;
pub mod render;
pub mod repair;
pub mod report;
#[cfg(feature = "testing")]
pub mod testing;
