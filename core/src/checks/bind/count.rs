//! Fewer bind matrices than joints.

use serde_json::json;

use crate::check::wording::{count, list};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, Subject, Unit};
use crate::model::{Reads, SkinId};
use crate::report::Severity;

/// Members listed with a finding.
const LISTED: usize = 32;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "bind/count",
    summary: "a skin has fewer inverse bind matrices than joints",
    why: "the joints at the end of the list have no bind pose: readers refuse the file, take whatever comes after it, or leave the skin in pieces",
    rule: Rule { title: "glTF 2.0", section: "3.7.3.1" },
    page: include_str!("count.md"),
    on: On::GLTF,
    bands: &[Band {
        name: "missing",
        case: "",
        on: On::GLTF,
        bound: Bound::Above,
        limit: 0.0,
        unit: "matrices",
        severity: Some(Severity::Error),
    }],
    requires: &[Need::Joints, Need::BindMatrices],
    reads: Reads::BIND,
    settings: &[],
    plantable: Plantable::Boolean,
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    for (index, skin) in ctx.rig.skins.iter().enumerate() {
        let Some(matrices) = &skin.inverse_bind else { continue };
        let missing = skin.joints.len().saturating_sub(matrices.len());
        let Some(hit) = sink.judge("", missing as f64) else { continue };
        let id = SkinId::new(index);
        let without = &skin.joints[matrices.len()..];
        let names = list(without.iter().map(|joint| ctx.name(*joint)));
        let text = message(&ctx.labels.name(&Subject::Skin(id)), matrices.len(), skin.joints.len(), &names);
        let mut fact = Fact::new(Subject::Skin(id), text)
            .evidence("missing bind matrices", missing as f64, hit.limit, Unit::Count)
            .fix(Fix::Repair {
                applicability: Applicability::Review,
                name: "recompute-bind-matrices".into(),
                arguments: json!({"skin": index}),
                summary: "compute the inverse bind matrices from the rest pose".into(),
            });
        for joint in without.iter().take(LISTED) {
            fact = fact.related(Subject::Joint(*joint), "member");
        }
        sink.report(hit, fact);
    }
}

fn message(skin: &str, matrices: usize, joints: usize, names: &str) -> String {
    format!(
        "{skin} has {} for {}: {names} without (limit 0 missing)",
        count(matrices as u64, "bind matrix", "bind matrices"),
        count(joints as u64, "joint", "joints")
    )
}
