//! Plans in memory: one report's JSON Patches (RFC 6902), composed, without checking again.

use std::collections::BTreeMap;

use json_patch::{Patch, PatchOperation};
use serde_json::Value;

use super::rounds::Which;
use crate::finding::{Applicability, Fix, PatchOp};
use crate::report::Report;

/// A fix that was left out.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PlanConflict {
    /// The finding.
    pub fingerprint: String,
    /// Why.
    pub reason: String,
}

/// A repaired plan.
#[derive(Debug, Clone, PartialEq)]
pub struct RepairedPlan {
    /// The plan.
    pub plan: Value,
    /// Fingerprints of the findings whose fixes were applied, with what was done.
    pub applied: Vec<(String, String)>,
    /// Fixes that would undo each other, or do not fit the document.
    pub conflicts: Vec<PlanConflict>,
}

/// Applies the fixes of a report to the plan it was made from. Waived findings are left alone. A fix whose operations
/// touch what an earlier one (in the report's order) has changed otherwise is a conflict; each fix applies as a whole
/// or not at all (RFC 6902 §5).
pub fn repair_plan(plan: &Value, report: &Report, which: &Which) -> RepairedPlan {
    let mut out = RepairedPlan { plan: plan.clone(), applied: Vec::new(), conflicts: Vec::new() };
    let mut touched: BTreeMap<String, Option<Value>> = BTreeMap::new();
    let mut patches: Vec<&Vec<PatchOp>> = Vec::new();
    for finding in report.findings.iter().filter(|finding| finding.waiver.is_none()) {
        let Some(Fix::Patch { applicability, summary, patch }) = &finding.fix else { continue };
        let wanted = match which {
            Which::Safe => *applicability == Applicability::Safe,
            Which::Review => true,
            Which::Chosen(list) => list.contains(&finding.fingerprint),
        };
        if !wanted {
            continue;
        }
        let refuse = |reason: String| PlanConflict { fingerprint: finding.fingerprint.clone(), reason };
        if patches.contains(&patch) {
            // The same fix of another finding: adding twice would be once too often.
            out.applied.push((finding.fingerprint.clone(), summary.clone()));
            continue;
        }
        // Elements added to the end of a list do not stand in each other's way.
        let clash = patch.iter().find(|op| {
            !op.path.ends_with("/-") && touched.get(&op.path).is_some_and(|value| *value != op.value)
        });
        if let Some(op) = clash {
            out.conflicts.push(refuse(format!("another fix has already changed {}", op.path)));
            continue;
        }
        match apply(&out.plan, patch) {
            Ok(next) => {
                out.plan = next;
                patches.push(patch);
                touched.extend(patch.iter().map(|op| (op.path.clone(), op.value.clone())));
                out.applied.push((finding.fingerprint.clone(), summary.clone()));
            }
            Err(reason) => out.conflicts.push(refuse(reason)),
        }
    }
    out
}

fn apply(plan: &Value, operations: &[PatchOp]) -> Result<Value, String> {
    let list: Vec<PatchOperation> = serde_json::to_value(operations)
        .and_then(serde_json::from_value)
        .map_err(|error| format!("the patch cannot be read: {error}"))?;
    let mut next = plan.clone();
    json_patch::patch(&mut next, &Patch(list)).map_err(|error| format!("the patch does not fit: {error}"))?;
    Ok(next)
}
