//! Derived facts about a rig, shared by checks and computed at most once (definitions D1 to D21 of the calibration).

use crate::model::Rig;

/// The facts of one rig.
#[derive(Debug)]
pub struct Facts<'a> {
    rig: &'a Rig,
}

impl<'a> Facts<'a> {
    /// Nothing is computed yet.
    pub fn new(rig: &'a Rig) -> Self {
        Self { rig }
    }

    /// The rig.
    pub fn rig(&self) -> &'a Rig {
        self.rig
    }
    pub fn has_weights(&self) -> bool { false }
    pub fn has_triangles(&self) -> bool { false }
    pub fn mirror(&self) -> Option<()> { None }
    pub fn long_axis(&self) -> Option<()> { None }
    pub fn has_orientations(&self) -> bool { false }
    pub fn has_pieces(&self) -> bool { false }
}
