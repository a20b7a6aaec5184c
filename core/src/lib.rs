//! Condyle's rig analysis.
#[cfg(feature = "demo")]
pub mod demo;
#[cfg(feature = "export")]
pub mod export;
