//! Every example on every check's page, run through intake and the check: one test per fenced block.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use condyle_core::check::{CHECKS, Descriptor, Profile, Request, Unobserved, run};
use condyle_core::intake::{Bundle, Limits, Upload, read};
use condyle_core::report::Finding;
use condyle_core::testing::{build, build_body, build_reference, expectations, profile};
use libtest_mimic::{Arguments, Failed, Trial};

fn main() {
    let arguments = Arguments::from_args();
    let trials = CHECKS.iter().copied().flat_map(trials).collect();
    libtest_mimic::run(&arguments, trials).exit();
}

/// The fenced `rig` blocks of one page.
fn trials(check: &'static Descriptor) -> Vec<Trial> {
    let mut list = Vec::new();
    let mut heading = "";
    let mut block: Option<(usize, String)> = None;
    for (index, line) in check.page.lines().enumerate() {
        match &mut block {
            Some((start, text)) if line == "```" => {
                let (start, text, fires) = (*start, std::mem::take(text), heading.ends_with("fire"));
                let word = if fires { "fires" } else { "clean" };
                let name = format!("{}::{word}::line_{start}", check.id);
                // What was planted must be what is found: without the faults, the same rig is clean.
                if fires && text.contains("\nmutate ") {
                    let sound = without(&text);
                    list.push(Trial::test(format!("{name}::unspoilt"), move || {
                        example(check, &sound, false)
                    }));
                }
                list.push(Trial::test(name, move || example(check, &text, fires)));
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
    list
}

/// The same rig without faults and without expectations.
fn without(text: &str) -> String {
    let kept = text.lines().filter(|line| !line.starts_with("mutate "));
    kept.flat_map(|line| [line.split('#').next().unwrap_or_default(), "\n"]).collect()
}

fn example(check: &Descriptor, text: &str, fires: bool) -> Result<(), Failed> {
    let bytes = build(text)?;
    let expected = expectations(text)?;
    if let Some(other) = expected.iter().find(|e| e.check != check.id) {
        return Err(format!("line {}: {} is another page's check", other.line, other.check).into());
    }
    if fires == expected.is_empty() {
        return Err("a firing example announces its findings, a clean one announces none".into());
    }
    let body = build_body(text)?;
    let upload = Upload { name: "example", bytes: &bytes };
    let bundle = match &body {
        Some(body) => Bundle {
            plan: Some(upload),
            model: Some(Upload { name: "body", bytes: body }),
            ..Bundle::default()
        },
        None => Bundle { model: Some(upload), ..Bundle::default() },
    };
    let intake = read(&bundle, &Limits::default()).map_err(|fault| format!("{fault:?}"))?;
    let profile = match profile(text)? {
        Some(name) => Profile::builtin(&name).ok_or_else(|| format!("no profile is called {name}"))?,
        None => page_profile(check)?,
    };
    let reference = build_reference(text)?;
    let reference = reference
        .as_ref()
        .map(|bytes| {
            let upload = Upload { name: "reference", bytes };
            read(&Bundle { model: Some(upload), ..Bundle::default() }, &Limits::default())
        })
        .transpose()
        .map_err(|fault| format!("{fault:?}"))?;
    let mut request = Request::all(&profile, "2026-01-01".parse().map_err(|e| format!("{e}"))?);
    request.reference = reference.as_ref().map(|reference| &reference.rig);
    request.sweep = Some(check.family() == "sweep");
    // What is said about waivers depends on what every other check finds.
    if check.family() != "policy" {
        request.only = vec![check.id.to_owned()];
    }
    let mut report = run(&intake, &request, &Unobserved).map_err(|error| format!("{error:?}"))?;
    report.findings.retain(|finding| finding.check == check.id);
    // A check that could not look proves nothing, neither way.
    if let Some(idle) = report.not_run.iter().find(|idle| idle.check == check.id) {
        return Err(format!("{idle:?}").into());
    }
    let mut found: Vec<&Finding> = report.findings.iter().collect();
    for finding in &found {
        let last = finding.message.chars().next_back();
        if last.is_some_and(|c| matches!(c, '.' | '!' | '?')) {
            return Err(format!("a message has no final stop: {}", finding.message).into());
        }
        let words: Vec<&str> =
            finding.message.split([' ', ',', ';', '(']).filter(|word| *word != "more").collect();
        let plural = ["joints", "pairs", "vertices", "influences", "links", "names"];
        if words.windows(2).any(|two| two[0] == "1" && plural.contains(&two[1])) {
            return Err(format!("one is not several: {}", finding.message).into());
        }
    }
    for one in &expected {
        let Some(at) = found.iter().position(|finding| one.matches(finding)) else {
            let all: Vec<String> = report.findings.iter().map(told).collect();
            return Err(format!("line {}: not found; found instead: {all:#?}", one.line).into());
        };
        found.remove(at);
    }
    if found.is_empty() {
        Ok(())
    } else {
        Err(format!("not announced: {:#?}", found.into_iter().map(told).collect::<Vec<_>>()).into())
    }
}

/// The profile of a page's examples: the one it gives in a fenced block, for what is off by default.
fn page_profile(check: &Descriptor) -> Result<Profile, Failed> {
    let block = check.page.split("```profile\n").nth(1).and_then(|rest| rest.split("```").next());
    block
        .map_or_else(|| Ok(Profile::realtime()), |text| Profile::read(text).map_err(|e| e.to_string().into()))
}

fn told(finding: &Finding) -> String {
    format!(
        "{} {} {} {}: {}",
        finding.severity.word(),
        finding.subject.kind,
        finding.subject.name,
        finding.subject.pointer,
        finding.message
    )
}
