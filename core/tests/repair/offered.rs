//! Every fix that a check offers is one that the engine applies: the names in the sources, the examples of every page,
//! and the findings on real models.

use std::path::{Path, PathBuf};

use condyle_core::check::{CHECKS, Descriptor, Profile, Request, Unobserved, run};
use condyle_core::finding::Fix;
use condyle_core::intake::{Bundle, Limits, Upload, read};
use condyle_core::repair::{Form, Outcome, Which, apply_fixes, repair, repair_names};
use condyle_core::testing::{build, build_body, build_reference, profile};
use libtest_mimic::{Failed, Trial};

use crate::schema;

/// Findings whose fix is for a person's hand, and why.
const BY_HAND: [(&str, &str); 1] = [(
    "bind/older-skeleton",
    "the fix is for the body, and what is repaired is the plan: it applies to the body by itself",
)];

pub(crate) fn trials() -> Vec<Trial> {
    let mut out = vec![Trial::test("offered: every name in the sources is a repair", || {
        named(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src"));
        Ok(())
    })];
    for check in CHECKS.iter().copied() {
        for (line, text) in firing(check.page) {
            let name = format!("offered: {} line {line}", check.id);
            out.push(Trial::test(name, move || example(check, &text)));
        }
    }
    out
}

/// `name: "…".into()` beside `Fix::Repair`, wherever checks make fixes.
fn named(sources: &Path) {
    let pattern = regex::Regex::new(r#"name: "([a-z-]+)"\.into\(\)"#).unwrap();
    let known: Vec<&str> = repair_names().collect();
    let mut found = 0;
    for folder in ["check", "checks", "parenting"] {
        for path in rust_files(&sources.join(folder)) {
            let text = std::fs::read_to_string(&path).unwrap();
            if !text.contains("Fix::Repair") {
                continue;
            }
            for name in pattern.captures_iter(&text).map(|captures| captures[1].to_owned()) {
                assert!(known.contains(&name.as_str()), "{}: no repair is called {name}", path.display());
                found += 1;
            }
        }
    }
    assert!(found >= 40, "only {found} fixes found: the pattern has come to miss them");
}

fn rust_files(folder: &Path) -> Vec<PathBuf> {
    let mut files = Vec::new();
    for entry in std::fs::read_dir(folder).unwrap().flatten() {
        let path = entry.path();
        if path.is_dir() {
            files.extend(rust_files(&path));
        } else if path.extension().is_some_and(|end| end == "rs") {
            files.push(path);
        }
    }
    files
}

/// The examples under "Examples that fire", with their lines.
fn firing(page: &str) -> Vec<(usize, String)> {
    let (mut out, mut heading, mut block) = (Vec::new(), "", None::<(usize, String)>);
    for (index, line) in page.lines().enumerate() {
        match &mut block {
            Some((start, text)) if line == "```" => {
                if heading.ends_with("fire") {
                    out.push((*start, std::mem::take(text)));
                }
                block = None;
            }
            Some((_, text)) => {
                text.push_str(line);
                text.push('\n');
            }
            None if line == "```rig" => block = Some((index + 1, String::new())),
            None if line.starts_with('#') => heading = line,
            None => {}
        }
    }
    out
}

fn page_profile(check: &Descriptor) -> Result<Profile, Failed> {
    let block = check.page.split("```profile\n").nth(1).and_then(|rest| rest.split("```").next());
    block
        .map_or_else(|| Ok(Profile::realtime()), |text| Profile::read(text).map_err(|e| e.to_string().into()))
}

fn upload(bytes: &[u8]) -> Upload<'_> {
    Upload { name: "example", bytes }
}

/// What is offered is applied, closes the finding, leaves a valid document, and is not applied twice.
fn example(check: &Descriptor, text: &str) -> Result<(), Failed> {
    let (bytes, body) = (build(text)?, build_body(text)?);
    let bundle = match &body {
        Some(body) => Bundle { plan: Some(upload(&bytes)), model: Some(upload(body)), ..Bundle::default() },
        None => Bundle { model: Some(upload(&bytes)), ..Bundle::default() },
    };
    let limits = Limits::default();
    let intake = read(&bundle, &limits).map_err(|fault| format!("{fault:?}"))?;
    let profile = match profile(text)? {
        Some(name) => Profile::builtin(&name).ok_or("no such profile")?,
        None => page_profile(check)?,
    };
    let reference = build_reference(text)?;
    let reference = reference
        .as_ref()
        .map(|bytes| read(&Bundle { model: Some(upload(bytes)), ..Bundle::default() }, &limits))
        .transpose()
        .map_err(|fault| format!("{fault:?}"))?;
    let mut request = Request::all(&profile, "2026-01-01".parse().map_err(|e| format!("{e}"))?);
    request.reference = reference.as_ref().map(|reference| &reference.rig);
    request.sweep = Some(check.family() == "sweep");
    if check.family() != "policy" {
        request.only = vec![check.id.to_owned()];
    }
    let report = run(&intake, &request, &Unobserved).map_err(|error| format!("{error:?}"))?;
    let fixes: Vec<&Fix> = report
        .findings
        .iter()
        .filter(|finding| finding.check == check.id)
        .filter_map(|finding| finding.fix.as_ref())
        .collect();
    if fixes.is_empty() {
        return Ok(());
    }
    if BY_HAND.iter().any(|(id, _)| *id == check.id) {
        // The body by itself takes the fix.
        let body = body.as_ref().ok_or("a plan with its body was expected")?;
        let alone = Bundle { model: Some(upload(body)), ..Bundle::default() };
        let fixes: Vec<Fix> = fixes.into_iter().cloned().collect();
        let (_, outcomes) = apply_fixes(&alone, &limits, &fixes).map_err(|error| format!("{error:?}"))?;
        let applied = outcomes.iter().all(|outcome| *outcome == Outcome::Applied);
        return if applied { Ok(()) } else { Err(format!("{outcomes:?}").into()) };
    }
    let out = repair(&bundle, &limits, &request, &Which::Review, &Unobserved)
        .map_err(|error| format!("{error:?}"))?;
    let ours = |list: &[condyle_core::repair::Left]| {
        list.iter()
            .filter(|left| left.fixed.check == check.id)
            .map(|left| left.reason.clone())
            .collect::<Vec<_>>()
    };
    let left = ours(&out.listing.left);
    if !left.is_empty() {
        return Err(format!("offered and not applied: {left:#?}").into());
    }
    if !out.listing.changes.iter().any(|change| change.fixed.check == check.id) {
        return Err(format!("nothing was changed: {:#?}", out.listing).into());
    }
    let mut after = bundle.clone();
    if after.plan.is_some() {
        after.plan = Some(upload(&out.bytes));
    } else {
        after.model = Some(upload(&out.bytes));
    }
    let again = repair(&after, &limits, &request, &Which::Review, &Unobserved)
        .map_err(|error| format!("{error:?}"))?;
    if again.bytes != out.bytes {
        return Err(format!("repairing twice: {:#?}", again.listing.changes).into());
    }
    if out.form == Form::Plan {
        return Ok(());
    }
    // An example may be broken in ways that no repair is about; what was valid stays so.
    let (old, new) = (crate::scene::open(&bytes), crate::scene::open(&out.bytes));
    if let Some(validator) = schema::gltf()
        && schema::faults(&validator, &old.json).is_empty()
    {
        let faults = schema::faults(&validator, &new.json);
        if !faults.is_empty() {
            return Err(format!("no longer valid: {faults:#?}").into());
        }
    }
    Ok(())
}
