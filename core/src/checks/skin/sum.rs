//! Weights that do not add up to one.

use serde_json::json;

use crate::check::wording::{count, short};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::facts::Group;
use crate::finding::{Applicability, Fact, Fix, Subject, Unit};
use crate::model::Reads;
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "skin/sum",
    summary: "weights do not add up to one",
    why: "a sum off one pulls the vertex towards the model's origin by that share of its distance, in every pose but bind",
    rule: Rule { title: "glTF 2.0", section: "3.7.3.3" },
    page: include_str!("sum.md"),
    on: On::GLTF,
    bands: &[
        Band {
            name: "float-error",
            case: "float",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 0.01,
            unit: "1",
            severity: Some(Severity::Error),
        },
        Band {
            name: "float-warning",
            case: "float",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 1e-3,
            unit: "1",
            severity: Some(Severity::Warning),
        },
        Band {
            name: "float-note",
            case: "float-note",
            on: On::GLTF,
            bound: Bound::Fact,
            limit: 0.0,
            unit: "",
            severity: Some(Severity::Note),
        },
        Band {
            name: "integer",
            case: "integer",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 0.0,
            unit: "steps",
            severity: Some(Severity::Error),
        },
    ],
    requires: &[Need::Weights],
    reads: Reads::WEIGHTS,
    settings: &[],
    plantable: Plantable::Range { most: 0.9 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    for drawn in &ctx.facts.weights().drawn {
        for (index, scan) in drawn.scans.iter().enumerate() {
            let Some(scan) = scan else { continue };
            let subject = Subject::Vertices(drawn.mesh, index as u32);
            let name = ctx.labels.name(&subject);
            let fact = |text: String, group: &Group, limit: Option<f64>, unit: Unit| {
                Fact::new(subject.clone(), text)
                    .evidence("weight sum off one", group.worst, limit, unit)
                    .evidence("vertices", group.count as f64, None, Unit::Count)
                    .identified_by(Subject::Skin(drawn.skin), "skin")
                    .fix(Fix::Repair {
                        applicability: Applicability::Safe,
                        name: "renormalise-weights".into(),
                        arguments: json!({"mesh": drawn.mesh.0, "primitive": index}),
                        summary: "divide each vertex' weights by their sum".into(),
                    })
            };
            let mut off = scan.sum_error.clone();
            off.count += scan.sum_warning.count;
            off.worst = off.worst.max(scan.sum_warning.worst);
            if let Some(hit) = sink.judge("integer", scan.sum_integer.worst) {
                let group = &scan.sum_integer;
                sink.report(hit, fact(integer(&name, group), group, hit.limit, Unit::Count));
            } else if let Some(hit) = sink.judge("float", off.worst) {
                let squared = scan.unit_length * 10 >= off.count * 9;
                sink.report(hit, fact(float(&name, &off, hit.bound(), squared), &off, hit.limit, Unit::One));
            } else if let Some(hit) = sink.judge("float", scan.sum_note.worst) {
                // A profile may ask for more than the catalogue does.
                let group = &scan.sum_note;
                sink.report(hit, fact(float(&name, group, hit.bound(), false), group, hit.limit, Unit::One));
            } else if scan.sum_note.count > 0
                && let Some(hit) = sink.breach("float-note")
            {
                let group = &scan.sum_note;
                sink.report(hit, fact(rounding(&name, group), group, Some(2e-7), Unit::One));
            }
        }
    }
}

fn float(name: &str, group: &Group, limit: f64, squared: bool) -> String {
    let how = if squared { "; they are normalised to unit length (Σw² = 1), not to unit sum" } else { "" };
    format!(
        "the weights of {} of {name} add up to one only within {} (limit {}){how}",
        count(group.count, "vertex", "vertices"),
        short(group.worst),
        short(limit)
    )
}

fn rounding(name: &str, group: &Group) -> String {
    format!(
        "the weights of {} of {name} are off one by up to {}, above the standard's 2e-7 per weight; harmless",
        count(group.count, "vertex", "vertices"),
        short(group.worst)
    )
}

fn integer(name: &str, group: &Group) -> String {
    format!(
        "the integer weights of {} of {name} miss the exact sum, by {} of the last place at most (limit 0)",
        count(group.count, "vertex", "vertices"),
        count(group.worst as u64, "step", "steps")
    )
}

#[cfg(all(test, feature = "testing"))]
#[allow(clippy::unwrap_used, reason = "a test may fail loudly")]
mod tests {
    use crate::check::{Profile, Request, Unobserved, run};
    use crate::intake::{Bundle, Limits, Upload, read};
    use crate::report::{Finding, Severity};

    fn found(fault: &str, limit: &str) -> Option<Finding> {
        let text = format!(
            "gltf\njoint trunk at 0 0.2 0 parent none\njoint tail at 0 0.2 -0.4 tip 0 0.2 -0.8\n\
             body tubes radius 0.04\nmutate scale-weights {fault}\n"
        );
        let bytes = crate::testing::build(&text).unwrap();
        let model = Some(Upload { name: "eel.glb", bytes: &bytes });
        let intake = read(&Bundle { model, ..Bundle::default() }, &Limits::default()).unwrap();
        let profile = Profile::read(&format!(
            "profile = 'condyle.profile/1'\nname = 'own'\nabout = 'a limit of its own'\n\
             [checks.'skin/sum']\nreason = 'a test'\nbands.float-warning.limit = {limit}\n"
        ))
        .unwrap();
        let mut request = Request::all(&profile, "2026-01-01".parse().unwrap());
        request.only = vec!["skin/sum".into()];
        run(&intake, &request, &Unobserved).unwrap().findings.into_iter().next()
    }

    #[test]
    fn a_profile_may_be_tighter_than_the_catalogue() {
        assert_eq!(found("4 1.0005", "1e-3").unwrap().severity, Severity::Note);
        assert_eq!(found("4 1.0005", "1e-4").unwrap().severity, Severity::Warning);
    }

    #[test]
    fn negative_weights_are_told_as_such_and_not_as_a_sum() {
        assert!(found("4 -1", "1e-3").is_none());
    }
}
