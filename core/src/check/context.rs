//! What a check is given.

use jiff::civil::Date;

use super::{CheckSettings, Labels};
use crate::facts::Facts;
use crate::model::{JointId, Rig};

/// Everything a check may read.
#[derive(Clone, Copy)]
pub struct Context<'a> {
    /// The rig.
    pub rig: &'a Rig,
    /// Derived facts, computed at most once per run.
    pub facts: &'a Facts<'a>,
    /// The names that findings use.
    pub labels: &'a Labels,
    /// This check's resolved settings.
    pub settings: &'a CheckSettings,
    /// The date of judgement, UTC.
    pub as_of: Date,
}

impl<'a> Context<'a> {
    /// How a message calls a joint.
    pub fn name(&self, joint: JointId) -> &'a str {
        self.labels.joint(joint)
    }

    /// A setting's value.
    pub fn setting(&self, name: &str) -> f64 {
        self.settings.value(name)
    }
}
