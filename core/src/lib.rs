//! Condyle's rig analysis: bytes in, a rig, checks, a report. Pure: no I/O, no async, no clock.
//!
//! | module | holds |
//! |---|---|
//! | [`model`] | the rig that plans and glTF are read into |
//! | [`intake`] | bounds-checked reading: bytes to a rig, or a typed fault with its place |
//! | [`anatomy`] | published human proportions and ranges of motion, as data |
//! | [`bind`] | the trial bind: the weights that a skeleton would get |
//! | [`body`] | the skin as a surface: welded points, shells, edges |
//! | [`difference`] | what changed between two revisions |
//! | [`figure`] | a drawing of a rig with its findings, as SVG |
//! | [`facts`] | what checks share: size, tips, twins, mirror plane, axes, chains |
//! | [`check`] | descriptor, registry, profile, sink, runner |
//! | [`checks`] | the rules themselves, one file pair each |
//! | [`finding`], [`report`] | what a check states, and its wire form |
//! | [`parenting`] | who is the parent of each undecided joint: a suggestion with its probability |
//! | [`rejudge`] | a report on a later day, when waivers have ended |
//! | [`render`] | reports for readers |
//! | [`repair`] | applying the fixes |
//! | [`standards`] | tables of open standards for humanoids |
//! | [`sweep`] | every joint turned alone, and what the skin does |
//! | `testing` | rigs in a line notation, for tests (feature `testing`) |
#![warn(missing_docs)]

pub mod anatomy;
pub mod bind;
pub mod body;
pub mod check;
pub mod checks;
#[cfg(feature = "demo")]
pub mod demo;
pub mod difference;
#[cfg(feature = "export")]
pub mod export;
pub mod facts;
pub mod figure;
pub mod finding;
pub mod intake;
pub mod model;
pub mod parenting;
pub mod rejudge;
pub mod render;
pub mod repair;
pub mod report;
pub mod standards;
pub mod sweep;
#[cfg(feature = "testing")]
pub mod testing;
