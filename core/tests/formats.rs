//! The forms of a report, held against the documents that define them.
#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test may stop at the first surprise")]
#![allow(clippy::unnecessary_wraps, reason = "every trial has one shape")]

use std::path::Path;
use std::process::ExitCode;

use condyle_core::check::{Profile, Request, Unobserved, Waiver, run};
use condyle_core::demo::faulty;
use condyle_core::finding::PatchOp;
use condyle_core::intake::{Bundle, Limits, Upload, read};
use condyle_core::render::{
    Item, Unread, annotations, annotations_with, html, html_with, junit, junit_with, markdown, markdown_with,
    quality, quality_with, sarif, sarif_with,
};
use condyle_core::report::{NotRun, NotRunStatus, Report, Severity, Truncation};
use libtest_mimic::{Arguments, Failed, Trial};
use quick_xml::Reader;
use quick_xml::events::Event;
use serde_json::{Value, json};

/// The OASIS schema of SARIF 2.1.0; see ../shared/data/README.md.
const SCHEMA: &str =
    concat!(env!("CARGO_MANIFEST_DIR"), "/../../shared/data/standards/sarif-schema-2.1.0.json");

/// The schema of Jenkins' xunit plugin (model/xsd/junit-10.xsd, MIT), as pytest 8.4.2 ships it on PyPI
/// (testing/example_scripts).
const XSD: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/fixtures/junit-10.xsd");
/// Names a Python that has what `tests/outside/requirements.txt` lists.
const PYTHON: &str = "CONDYLE_OUTSIDE_PYTHON";

fn main() -> ExitCode {
    let arguments = Arguments::from_args();
    let absent = !Path::new(SCHEMA).exists();
    let ignored = absent && std::env::var_os("CI").is_none();
    let why = if absent { " (needs ../shared/data/standards)" } else { "" };
    let python = std::env::var_os(PYTHON);
    let needs = if python.is_none() { format!(" (needs {PYTHON})") } else { String::new() };
    let unchecked = python.is_none() && std::env::var_os("CI").is_none();
    let trials = vec![
        Trial::test(format!("junit_is_valid_by_the_schema_of_a_build_server{needs}"), by_schema)
            .with_ignored_flag(unchecked),
        Trial::test(format!("sarif_fixes_change_the_text_as_the_patch_changes_the_value{why}"), fixes)
            .with_ignored_flag(ignored),
        Trial::test("what_cannot_be_read_is_in_the_documents", broken),
        Trial::test("findings_have_the_lines_of_their_text", lines),
        Trial::test("a_large_document_tells_as_many_fixes_as_there_is_time_for", large),
        Trial::test(format!("sarif_is_valid_by_the_oasis_schema{why}"), valid).with_ignored_flag(ignored),
        Trial::test("sarif_tells_every_finding_its_waiver_and_its_baseline", told),
        Trial::test("what_was_not_looked_at_again_is_not_fixed", unlooked),
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

fn unlooked() -> Result<(), Failed> {
    let (old, _) = faults();
    let gone = old.findings[0].clone();
    let mut new = old.clone();
    new.findings.retain(|one| one.check != gone.check);
    new.truncated.remove(&gone.check);
    let number = old.findings.len() - new.findings.len();
    let fixed = |new: &Report| {
        let item = Item { previous: Some(&old), ..Item::new("porter\u{7}.json", new) };
        let text = sarif(&[item]);
        assert!(!text.contains("porter\\u0007.json: "), "{text}");
        let log: Value = serde_json::from_str(&text).unwrap();
        let results = log["runs"][0]["results"].as_array().unwrap();
        let absent = results.iter().filter(|result| result["baselineState"] == "absent").count();
        let told = markdown(&[item]);
        assert!(told.contains(&format!(" 0 new, {absent} fixed since the report before")), "{told}");
        absent
    };
    assert_eq!(fixed(&new), number);
    // The other way round: what the report before has not is new where its check looked.
    let told = |before: &Report| {
        let item = Item { previous: Some(before), ..Item::new("porter.json", &old) };
        (markdown(&[item]), html(&[item]))
    };
    let (text, page) = told(&new);
    assert!(text.contains(&format!(" {number} new, 0 fixed since the report before")), "{text}");
    let marks =
        |text: &str, page: &str| (text.matches("**new** ").count(), page.matches(" <b>new</b>").count());
    assert_eq!(marks(&text, &page), (number, number));
    let mut cut = new.clone();
    cut.truncated.insert(gone.check.clone(), Truncation { shown: 50, total: 60 });
    assert_eq!(fixed(&cut), 0);
    new.not_run.push(NotRun {
        check: gone.check,
        status: NotRunStatus::Failed,
        reason: "a bug of ours".into(),
    });
    assert_eq!(fixed(&new), 0);
    let (text, page) = told(&new);
    assert!(text.contains(" 0 new, 0 fixed since the report before"), "{text}");
    assert_eq!(marks(&text, &page), (0, 0));
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

fn by_schema() -> Result<(), Failed> {
    let python = std::env::var_os(PYTHON).ok_or("the variable is not set; see .ci/run")?;
    let (report, waived) = faults();
    let folder = std::env::temp_dir().join(format!("condyle-junit-{}", std::process::id()));
    std::fs::create_dir_all(&folder)?;
    let unread = [Unread { path: "junk.glb", reason: "the header is cut <off> & \u{1} ]]>" }];
    for (name, text) in [
        ("all.xml", junit(&[Item::new("a&b\u{1}.json", &report), Item::new("second.json", &waived)])),
        ("none.xml", junit(&[])),
        ("unread.xml", junit_with(&[Item::new("a.json", &report)], &unread)),
    ] {
        let file = folder.join(name);
        std::fs::write(&file, text)?;
        let script = concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/outside/junit_valid.py");
        let output = std::process::Command::new(&python).args([script, XSD]).arg(&file).output()?;
        let told =
            String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
        assert!(output.status.success(), "{name}: {told}");
    }
    std::fs::remove_dir_all(&folder)?;
    Ok(())
}

/// A place by line and column (SARIF 2.1.0 §3.30.5), in characters.
fn place(text: &str, line: &Value, column: &Value) -> usize {
    let (line, column) = (line.as_u64().unwrap() as usize, column.as_u64().unwrap() as usize);
    let before: usize = text.split_inclusive('\n').take(line - 1).map(|line| line.chars().count()).sum();
    before + column - 1
}

/// As a reader of SARIF does it: replacements from the last to the first, by lines and columns, and again by offset.
fn applied(text: &str, change: &Value) -> String {
    let mut results = [text.chars().collect::<Vec<char>>(), text.chars().collect::<Vec<char>>()];
    for replacement in change["replacements"].as_array().unwrap().iter().rev() {
        let (region, new) = (&replacement["deletedRegion"], &replacement["insertedContent"]["text"]);
        let by_lines = (
            place(text, &region["startLine"], &region["startColumn"]),
            place(text, &region["endLine"], &region["endColumn"]),
        );
        let start = region["charOffset"].as_u64().unwrap() as usize;
        let by_offset = (start, start + region["charLength"].as_u64().unwrap() as usize);
        for (result, (start, end)) in results.iter_mut().zip([by_lines, by_offset]) {
            result.splice(start..end, new.as_str().unwrap().chars());
        }
    }
    let [by_lines, by_offset] = results.map(|result| result.into_iter().collect::<String>());
    assert_eq!(by_lines, by_offset);
    by_lines
}

/// The patched value is made by the crate json-patch.
fn fixes() -> Result<(), Failed> {
    let schema: Value = serde_json::from_slice(&std::fs::read(SCHEMA)?)?;
    let validator = jsonschema::validator_for(&schema)?;
    let mut tried = 0;
    for name in ["fiddler-porter", "stilt-heron", "lantern-eel", "harbour-clerk"] {
        let (it, _) = faulty(name, 2_000).unwrap();
        let mut plan: Value = serde_json::from_str(&it.plan.to_string())?;
        // Longer in bytes than in characters.
        plan["extras"] = json!({"größe": "鷺 — 𝄞"});
        for text in [plan.to_string(), serde_json::to_string_pretty(&plan)?] {
            let report = check(text.as_bytes(), &json!([]));
            let log: Value = serde_json::from_str(&sarif(&[Item {
                source: Some(&text),
                ..Item::new("a b.json", &report)
            }]))?;
            let errors: Vec<String> = validator.iter_errors(&log).map(|error| error.to_string()).collect();
            assert!(errors.is_empty(), "{errors:#?}");
            for result in log["runs"][0]["results"].as_array().unwrap() {
                let Some(fix) = result["fixes"].get(0) else { continue };
                let patch: Vec<PatchOp> = serde_json::from_value(result["properties"]["jsonPatch"].clone())?;
                let standard: json_patch::Patch = serde_json::from_value(json!(patch))?;
                let mut expected = plan.clone();
                json_patch::patch(&mut expected, &standard)?;
                let now: Value = serde_json::from_str(&applied(&text, &fix["artifactChanges"][0]))?;
                assert_eq!(now, expected, "{fix:#}");
                assert_eq!(fix["artifactChanges"][0]["artifactLocation"]["uri"], "a%20b.json");
                tried += 1;
            }
            let offered = report
                .findings
                .iter()
                .filter(|one| matches!(&one.fix, Some(condyle_core::finding::Fix::Patch { .. })));
            let told =
                log["runs"][0]["results"].as_array().unwrap().iter().filter(|one| one.get("fixes").is_some());
            assert_eq!(told.count(), offered.count(), "every patch is told as text");
        }
    }
    assert!(tried > 10, "{tried}");
    Ok(())
}

fn broken() -> Result<(), Failed> {
    let unread = [Unread { path: "rigs/junk.glb", reason: "the header\nis cut" }];
    let log: Value = serde_json::from_str(&sarif_with(&[], &unread))?;
    let invocation = &log["runs"][0]["invocations"][0];
    assert_eq!(invocation["executionSuccessful"], false);
    assert_eq!(invocation["toolExecutionNotifications"][0]["level"], "error");
    let cases = junit_with(&[], &unread);
    assert!(cases.contains("errors=\"1\"") && cases.contains("<error message=\"the header"), "{cases}");
    let line = annotations_with(&[], &unread);
    assert_eq!(line, "::error file=rigs/junk.glb,title=cannot be read::the header\u{fffd}is cut\n");
    let comment = markdown_with(&[], &unread);
    assert_eq!(comment, "### rigs/junk.glb cannot be read\n\nthe header\u{fffd}is cut\n\n");
    let page = html_with(&[], &[Unread { path: "<i>.glb", reason: "no & such" }]);
    assert!(page.contains("<h1>&lt;i&gt;.glb <span class=\"fail\">cannot be read</span></h1>"), "{page}");
    assert!(page.contains("no &amp; such") && page.contains("<title>&lt;i&gt;.glb cannot be read"), "{page}");
    let list: Value = serde_json::from_str(&quality_with(&[], &unread))?;
    let [one] = list.as_array().unwrap().as_slice() else { panic!("{list}") };
    assert_eq!((&one["severity"], &one["location"]["path"]), (&json!("blocker"), &json!("rigs/junk.glb")));
    assert_eq!(one["description"], "the header\u{fffd}is cut");
    let two = quality_with(&[], &[unread[0], Unread { path: "other.glb", ..unread[0] }]);
    let two: Value = serde_json::from_str(&two)?;
    assert_ne!(two[0]["fingerprint"], two[1]["fingerprint"]);
    Ok(())
}

/// 40 MB of text and more patches than are told as changes of it: the rest are there as patches, every place is told.
fn large() -> Result<(), Failed> {
    let joints: Vec<Value> = (0..20)
        .map(|n| json!({"name": format!("j{n}"), "origin": [n, 0, 0], "tip": [n, 1, 0], "parent": format!("j{n}x")}))
        .collect();
    let pad = "ö".repeat(20 << 20);
    let plan = json!({"schema": "condyle.plan/1", "asset": "eel", "extras": {"pad": pad}, "joints": joints});
    let text = plan.to_string();
    let report = check(text.as_bytes(), &json!([]));
    let log: Value =
        serde_json::from_str(&sarif(&[Item { source: Some(&text), ..Item::new("a.json", &report) }]))?;
    let results = log["runs"][0]["results"].as_array().unwrap();
    let of = |check: &str| results.iter().filter(|one| one["ruleId"] == check).collect::<Vec<_>>();
    let unknown = of("structure/unknown-parent");
    assert_eq!(unknown.len(), 20);
    let told = results.iter().filter(|one| one.get("fixes").is_some()).count();
    let patches = results.iter().filter(|one| one["properties"].get("jsonPatch").is_some()).count();
    assert_eq!((told, patches > told), ((256 << 20) / text.len(), true));
    for one in unknown {
        let region = &one["locations"][0]["physicalLocation"]["region"];
        // One line; the pad has two bytes a character.
        assert_eq!(region["startLine"], 1);
        assert!(
            region["startColumn"].as_u64() > Some(20 << 20)
                && region["startColumn"].as_u64() < Some(21 << 20)
        );
    }
    Ok(())
}

/// Lines counted by hand.
fn lines() -> Result<(), Failed> {
    let text = "{\n  \"schema\": \"condyle.plan/1\",\n  \"asset\": \"eel\",\n  \"joints\": [\n    {\"name\": \"hips\", \
                \"origin\": [0, 0, 0], \"tip\": [0, 1, 0], \"parent\": null},\n    {\"name\": \"lure\", \"origin\": [0, 1, 0], \
                \"parent\": \"hisp\"}\n  ]\n}\n";
    let report = check(text.as_bytes(), &json!([]));
    let item = Item { source: Some(text), ..Item::new("eel.json", &report) };
    let commands = annotations(&[item]);
    assert!(commands.contains("::error file=eel.json,line=6,title=structure/unknown-parent::"), "{commands}");
    let list: Value = serde_json::from_str(&quality(&[item]))?;
    // The path is relative to the repository, and has no beginning of its own.
    let dotted = Item { path: "././eel.json", ..item };
    assert_eq!(serde_json::from_str::<Value>(&quality(&[dotted]))?, list);
    assert_eq!(annotations(&[dotted]), commands);
    let list = list.as_array().unwrap();
    let one = list.iter().find(|one| one["check_name"] == "structure/unknown-parent").unwrap();
    assert_eq!(one["location"]["lines"]["begin"], 6);
    // Keys and severities as GitLab's documentation has them ("Implement a custom tool"), after the package
    // pytest-gitlab-code-quality 0.3.1 of PyPI (report.py), which describes each.
    for one in list {
        for key in ["description", "check_name", "fingerprint"] {
            assert!(one[key].as_str().is_some_and(|text| !text.is_empty()), "{one}");
        }
        assert!(
            ["info", "minor", "major", "critical", "blocker"].contains(&one["severity"].as_str().unwrap())
        );
        assert!(one["location"]["path"].is_string() && one["location"]["lines"]["begin"].as_u64() >= Some(1));
        assert!(!one["location"]["path"].as_str().unwrap().starts_with("./"));
    }
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
