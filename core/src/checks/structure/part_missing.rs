//! Joints without a part, and parts without a kind.

use serde_json::json;

use crate::check::wording::list;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, PatchOp, Subject, Unit};
use crate::model::{JointId, PartId, Reads, nearest};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "structure/part-missing",
    summary: "a deforming joint is in no part, or a part has no kind",
    why: "what belongs to no part is judged by no rule of anatomy: its bend, its size and its anchor go unchecked",
    rule: Rule { title: "condyle.plan/1", section: "parts" },
    page: include_str!("part_missing.md"),
    on: On::PLAN,
    bands: &[
        Band {
            name: "no-part",
            case: "no-part",
            on: On::PLAN,
            bound: Bound::Fact,
            limit: 0.0,
            unit: "",
            severity: Some(Severity::Warning),
        },
        Band {
            name: "no-kind",
            case: "no-kind",
            on: On::PLAN,
            bound: Bound::Fact,
            limit: 0.0,
            unit: "",
            severity: Some(Severity::Warning),
        },
    ],
    requires: &[Need::Parts],
    reads: Reads::JOINTS.union(Reads::PARTS),
    settings: &[],
    plantable: Plantable::Boolean,
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

/// The words of `parts/kind`.
const KINDS: [&str; 15] = [
    "spine", "neck", "head", "jaw", "eye", "ear", "arm", "leg", "wing", "fin", "digit", "tail", "feeler",
    "brace", "other",
];

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let rig = ctx.rig;
    if let Some(hit) = sink.breach("no-part") {
        let lone: Vec<JointId> = (0..rig.joints.len())
            .map(JointId::new)
            .filter(|joint| rig.joints[joint.index()].part.is_none() && ctx.facts.deforms(*joint))
            .collect();
        if !lone.is_empty() {
            let subject = if let [only] = lone.as_slice() { Subject::Joint(*only) } else { Subject::Rig };
            let names: Vec<&str> = lone.iter().map(|joint| ctx.name(*joint)).collect();
            let mut fact = Fact::new(subject, no_part(&list(names.into_iter()), lone.len())).evidence(
                "deforming joints in no part",
                lone.len() as f64,
                Some(0.0),
                Unit::Count,
            );
            if lone.len() > 1 {
                for joint in lone.iter().take(50) {
                    fact = fact.related(Subject::Joint(*joint), "member");
                }
            }
            sink.report(hit, fact);
        }
    }
    let Some(hit) = sink.breach("no-kind") else { return };
    for (index, part) in rig.parts.iter().enumerate().filter(|(_, part)| part.kind.is_none()) {
        let subject = Subject::Part(PartId::new(index));
        let name = ctx.labels.name(&subject);
        let near = match &part.kind_text {
            Some(text) => {
                let text = text.to_lowercase();
                nearest(&text, KINDS).filter(|near| only(&text, near))
            }
            // A part is mostly called by what it is.
            None => part
                .name
                .split(|c: char| !c.is_alphabetic())
                .find_map(|word| KINDS.iter().copied().find(|kind| word.eq_ignore_ascii_case(kind))),
        };
        let fix = near.map(|kind| Fix::Patch {
            applicability: Applicability::Review,
            summary: format!("call it {kind}"),
            patch: vec![PatchOp::set(format!("/parts/{index}/kind"), json!(kind))],
        });
        let text = no_kind(&name, part.kind_text.as_deref(), near);
        sink.report(hit, Fact::new(subject, text).fix(fix));
    }
}

/// Whether no other kind is as near to what was written.
fn only(text: &str, near: &str) -> bool {
    let far = strsim::damerau_levenshtein(text, near);
    KINDS.iter().filter(|kind| strsim::damerau_levenshtein(text, kind) <= far).count() == 1
}

fn no_part(names: &str, number: usize) -> String {
    if number == 1 {
        format!("{names} deforms and is in no part")
    } else {
        format!("{number} joints deform and are in no part ({names})")
    }
}

fn no_kind(part: &str, text: Option<&str>, near: Option<&str>) -> String {
    let hint = near.map_or(String::new(), |near| format!(" (did you mean {near}?)"));
    match text {
        Some(text) => {
            let text: String = text.chars().take(40).collect();
            format!("{part} is of kind {text}, which is none{hint}")
        }
        None => format!("{part} has no kind{hint}"),
    }
}
