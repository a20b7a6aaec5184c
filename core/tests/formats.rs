//! The forms of a report, held against the documents that define them.
#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test may stop at the first surprise")]
#![allow(clippy::unnecessary_wraps, reason = "every trial has one shape")]

use std::path::Path;
use std::process::ExitCode;

use condyle_core::check::{Profile, Request, Unobserved, Waiver, run};
use condyle_core::demo::faulty;
use condyle_core::intake::{Bundle, Limits, Upload, read};
use condyle_core::render::{Item, annotations, html, junit, markdown, quality, sarif};
use condyle_core::report::{Report, Severity};
use libtest_mimic::{Arguments, Failed, Trial};
use quick_xml::Reader;
use quick_xml::events::Event;
use serde_json::{Value, json};

/// The OASIS schema of SARIF 2.1.0; see ../shared/data/README.md.
const SCHEMA: &str =
    concat!(env!("CARGO_MANIFEST_DIR"), "/../../shared/data/standards/sarif-schema-2.1.0.json");

fn main() -> ExitCode {
    let arguments = Arguments::from_args();
    let absent = !Path::new(SCHEMA).exists();
    let ignored = absent && std::env::var_os("CI").is_none();
    let why = if absent { " (needs ../shared/data/standards)" } else { "" };
    let trials = vec![
        Trial::test(format!("sarif_is_valid_by_the_oasis_schema{why}"), valid).with_ignored_flag(ignored),
        Trial::test("sarif_tells_every_finding_its_waiver_and_its_baseline", told),
        Trial::test("junit_is_well_formed_and_its_numbers_add_up", numbers),
        Trial::test("hostile_names_stay_text_in_every_form", hostile),
        Trial::test("quality_lists_have_fingerprints_of_their_own", fingerprints),
    ];
    libtest_mimic::run(&arguments, trials).exit_code()
}

fn check(bytes: &[u8], waivers: &Value) -> Report {
    let bundle = Bundle { model: Some(Upload { name: "crab.json", bytes }), ..Bundle::default() };
    let intake = read(&bundle, &Limits::default()).unwrap();
    let profile = Profile::realtime();
    let mut request = Request::all(&profile, "2026-11-25".parse().unwrap());
    request.waivers = Waiver::read_list(waivers).unwrap();
    run(&intake, &request, &Unobserved).unwrap()
}

fn faults() -> (Report, Report) {
    let (it, _) = faulty("fiddler-porter", 2_000).unwrap();
    let plan = it.plan.to_string();
    let waivers = json!([{"check": "naming/*", "subject": "*", "reason": "the porter's names are the joke", "by": "rigging"}]);
    (check(plan.as_bytes(), &json!([])), check(plan.as_bytes(), &waivers))
}

fn valid() -> Result<(), Failed> {
    let schema: Value = serde_json::from_slice(&std::fs::read(SCHEMA)?)?;
    let validator = jsonschema::validator_for(&schema)?;
    let (report, waived) = faults();
    let mut old = report.clone();
    old.findings.remove(0);
    for item in [
        Item::new("rigs/porter crab.json", &report),
        Item { previous: Some(&old), ..Item::new("porter.json", &waived) },
    ] {
        let log: Value = serde_json::from_str(&sarif(&[item]))?;
        let errors: Vec<String> =
            validator.iter_errors(&log).map(|error| format!("{}: {error}", error.instance_path())).collect();
        if !errors.is_empty() {
            return Err(format!("{errors:#?}").into());
        }
    }
    Ok(())
}

fn told() -> Result<(), Failed> {
    let (report, waived) = faults();
    let mut old = waived.clone();
    let gone = old.findings.remove(0);
    let mut lost = gone.clone();
    lost.fingerprint = "0".repeat(32);
    old.findings.push(lost);
    let item = Item { previous: Some(&old), ..Item::new("porter.json", &waived) };
    let log: Value = serde_json::from_str(&sarif(&[item]))?;
    let results = log["runs"][0]["results"].as_array().unwrap();
    assert_eq!(results.len(), waived.findings.len() + 1, "every finding, and the one that is gone");
    let state = |word: &str| results.iter().filter(|result| result["baselineState"] == word).count();
    assert_eq!((state("new"), state("absent"), state("unchanged")), (1, 1, waived.findings.len() - 1));
    let suppressed = results
        .iter()
        .filter(|r| r["baselineState"] != "absent" && !r["suppressions"].as_array().unwrap().is_empty());
    assert_eq!(suppressed.count() as u64, waived.counts.waived);
    assert!(waived.counts.waived > 0 && report.counts.waived == 0);
    let rules = log["runs"][0]["tool"]["driver"]["rules"].as_array().unwrap();
    for result in results {
        assert_eq!(rules[result["ruleIndex"].as_u64().unwrap() as usize]["id"], result["ruleId"]);
    }
    Ok(())
}

/// Reads the document with an XML reader and adds up what it says.
fn numbers() -> Result<(), Failed> {
    let (report, _) = faults();
    let text = junit(&[Item::new("a&b\u{1}.json", &report), Item::new("second.json", &report)]);
    let mut reader = Reader::from_str(&text);
    let (mut claimed, mut cases, mut failures, mut skipped) = (0, 0, 0, 0);
    loop {
        match reader.read_event()? {
            Event::Eof => break,
            Event::Start(element) | Event::Empty(element) => match element.name().as_ref() {
                b"testsuites" => {
                    let tests = element.try_get_attribute("tests")?.unwrap();
                    claimed = tests.unescape_value()?.parse::<usize>()?;
                }
                b"testcase" => cases += 1,
                b"failure" => failures += 1,
                b"skipped" => skipped += 1,
                _ => {}
            },
            _ => {}
        }
    }
    let mut bad: Vec<&str> =
        report.findings.iter().filter(|f| f.severity == Severity::Error).map(|f| f.check.as_str()).collect();
    bad.sort_unstable();
    bad.dedup();
    assert_eq!((claimed, failures), (cases, 2 * bad.len()));
    assert!(skipped > 0, "a plan without body skips what needs one");
    assert!(!text.contains('\u{1}'), "XML 1.0 knows no such character");
    Ok(())
}

fn hostile() -> Result<(), Failed> {
    let name = "<script>x</script>]]>|\u{202e}\n::error::@all";
    let plan = json!({"schema": "condyle.plan/1", "asset": "eel", "joints": [
        {"name": name, "origin": [0, 0, 0], "tip": [0, 0, 0], "parent": null},
        {"name": name, "origin": [0, 1, 0], "parent": null}]});
    let report = check(plan.to_string().as_bytes(), &json!([]));
    assert!(!report.findings.is_empty());
    let items = [Item::new(name, &report)];
    let page = html(&items);
    assert!(!page.contains("<script") && page.contains("&lt;script&gt;"));
    let comment = markdown(&items);
    assert!(!comment.contains("<script") && !comment.contains("@all"));
    assert!(annotations(&items).lines().all(|line| line.starts_with("::error file=")
        || line.starts_with("::warning file=")
        || line.starts_with("::notice file=")));
    for text in [&page, &comment] {
        assert!(!text.contains('\u{202e}'), "nothing turns the direction of writing");
    }
    Ok(())
}

fn fingerprints() -> Result<(), Failed> {
    let (report, _) = faults();
    let list: Value =
        serde_json::from_str(&quality(&[Item::new("a.json", &report), Item::new("b.json", &report)]))?;
    let mut seen: Vec<&str> =
        list.as_array().unwrap().iter().map(|one| one["fingerprint"].as_str().unwrap()).collect();
    let count = seen.len();
    assert_eq!(count, 2 * report.findings.len());
    seen.sort_unstable();
    seen.dedup();
    assert_eq!(seen.len(), count, "one for each finding of each file");
    Ok(())
}
