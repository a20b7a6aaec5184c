//! What is known of an asset's conventions before anybody is asked.

use std::collections::BTreeMap;

use super::Profile;
use crate::intake::Intake;

/// The answers to the suggester's questions that a plan gives itself (`conventions`), by their ids.
pub fn said(intake: &Intake) -> BTreeMap<String, String> {
    let map = intake.plan.as_ref().and_then(|plan| plan.get("conventions")?.as_object());
    let texts = map.into_iter().flatten();
    texts.filter_map(|(id, answer)| Some((id.clone(), answer.as_str()?.to_owned()))).collect()
}

/// Those that the profile gives for every asset, and over them those that the plan gives.
pub(super) fn known(intake: &Intake, profile: &Profile) -> BTreeMap<String, String> {
    let mut out = profile.conventions.clone();
    out.extend(said(intake));
    out
}
