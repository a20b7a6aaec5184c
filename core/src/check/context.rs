//! What a check is given.

use jiff::civil::Date;

use super::{CheckSettings, Labels, Naming, Observer, WaiverUse};
use crate::facts::Facts;
use crate::model::{JointId, Rig};

/// What a run is given beside the rig.
#[derive(Clone, Copy)]
pub struct Given<'a> {
    /// The waivers, as the run has met them so far; complete for the family `policy`, which runs last.
    pub waivers: &'a [WaiverUse],
    /// The skeleton to conform to.
    pub reference: Option<&'a Facts<'a>>,
    /// The reference that the profile names, whether or not it was given.
    pub reference_name: Option<&'a str>,
    /// What the profile asks of names.
    pub naming: &'a Naming,
}

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
    /// What was given beside the rig.
    pub given: Given<'a>,
    /// The date of judgement, UTC.
    pub as_of: Date,
    /// Who watches; a long check asks whether to go on.
    pub observer: &'a dyn Observer,
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
