//! Vertices that no joint moves.

use serde_json::json;

use crate::check::wording::count;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::facts::WeightScan;
use crate::finding::{Applicability, Fact, Fix, Subject, Unit};
use crate::model::Reads;
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "skin/unweighted",
    summary: "vertices have no influence",
    why: "a vertex without influence stays at the origin or at bind while the rest of the skin moves: a spike in every pose",
    rule: Rule { title: "glTF 2.0", section: "3.7.3.3" },
    page: include_str!("unweighted.md"),
    on: On::GLTF,
    bands: &[Band {
        name: "unweighted",
        case: "",
        on: On::GLTF,
        bound: Bound::Above,
        limit: 0.0,
        unit: "vertices",
        severity: Some(Severity::Error),
    }],
    requires: &[Need::Weights],
    reads: Reads::WEIGHTS,
    settings: &[],
    plantable: Plantable::Boolean,
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    for drawn in &ctx.facts.weights().drawn {
        for (index, scan) in drawn.scans.iter().enumerate() {
            let Some(scan) = scan else { continue };
            let Some(hit) = sink.judge("", scan.unweighted.count as f64) else { continue };
            let subject = Subject::Vertices(drawn.mesh, index as u32);
            let text = message(&ctx.labels.name(&subject), scan);
            let fact = Fact::new(subject, text)
                .evidence("vertices without influence", scan.unweighted.count as f64, hit.limit, Unit::Count)
                .evidence("of them rows with NaN", scan.not_a_number as f64, None, Unit::Count)
                .identified_by(Subject::Skin(drawn.skin), "skin")
                .fix(Fix::Repair {
                    applicability: Applicability::Review,
                    name: "weight-from-neighbours".into(),
                    arguments: json!({"mesh": drawn.mesh.0, "primitive": index}),
                    summary: "take the weights of the nearest weighted vertex along the surface".into(),
                });
            sink.report(hit, fact);
        }
    }
}

fn message(name: &str, scan: &WeightScan) -> String {
    let first: Vec<String> = scan.unweighted.first.iter().map(u32::to_string).collect();
    let nan = if scan.not_a_number > 0 {
        format!(", {} of them because a weight is not a number", scan.not_a_number)
    } else {
        String::new()
    };
    format!(
        "in {name} {} no influence{nan} (limit 0; first: {})",
        count(scan.unweighted.count, "vertex has", "vertices have"),
        first.join(", ")
    )
}
