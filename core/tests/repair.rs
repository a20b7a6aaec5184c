//! Repairs, on the demo characters, on small meshes with sums by hand, and on real models that nobody here made.
#![expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

#[path = "repair/cases.rs"]
mod cases;
#[path = "repair/clips.rs"]
mod clips;
#[path = "repair/demo.rs"]
mod demo;
#[path = "repair/models.rs"]
mod models;
#[path = "repair/offered.rs"]
mod offered;
#[path = "repair/scene.rs"]
mod scene;
#[path = "repair/schema.rs"]
mod schema;
#[path = "repair/tree.rs"]
mod tree;

use std::process::ExitCode;

use condyle_core::check::{Profile, Request, Unobserved};
use condyle_core::finding::{Applicability, Fix};
use condyle_core::intake::{Bundle, Limits, Upload};
use condyle_core::repair::{Outcome, RepairError, Repaired, Which, apply_fixes, repair};
use libtest_mimic::{Arguments, Trial};
use serde_json::Value;

fn main() -> ExitCode {
    let arguments = Arguments::from_args();
    let mut trials: Vec<Trial> = cases::trials();
    trials.extend(clips::trials());
    trials.extend(tree::trials());
    trials.extend(offered::trials());
    trials.extend(demo::trials());
    trials.extend(models::trials());
    libtest_mimic::run(&arguments, trials).exit_code()
}

/// A bundle of one file.
fn alone(bytes: &[u8]) -> Bundle<'_> {
    Bundle { model: Some(Upload { name: "upload", bytes }), ..Bundle::default() }
}

fn repaired(bundle: &Bundle<'_>, which: &Which) -> Result<Repaired, RepairError> {
    let profile = Profile::realtime();
    let request = Request::all(&profile, "2026-11-25".parse().unwrap());
    repair(bundle, &Limits::default(), &request, which, &Unobserved)
}

/// One named repair.
fn one(bytes: &[u8], name: &str, arguments: Value) -> (Option<Vec<u8>>, Outcome) {
    let fix = Fix::Repair {
        applicability: Applicability::Safe,
        name: name.into(),
        arguments,
        summary: String::new(),
    };
    let (bytes, mut outcomes) = apply_fixes(&alone(bytes), &Limits::default(), &[fix]).unwrap();
    (bytes, outcomes.remove(0))
}

/// One named repair that must change something.
fn done(bytes: &[u8], name: &str, arguments: Value) -> Vec<u8> {
    let (out, outcome) = one(bytes, name, arguments);
    assert_eq!(outcome, Outcome::Applied, "{name}");
    out.unwrap()
}

/// Whether a pointer is one of those, `*` standing for an index.
fn among(pointer: &str, allowed: &[&str]) -> bool {
    allowed.iter().any(|pattern| {
        let (mut a, mut b) = (pointer.split('/'), pattern.split('/'));
        loop {
            match (a.next(), b.next()) {
                (None, None) => return true,
                (Some(_), Some("*")) => {}
                (Some(x), Some(y)) if x == y => {}
                _ => return false,
            }
        }
    })
}
