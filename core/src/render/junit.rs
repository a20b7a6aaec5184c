//! JUnit XML, the dialect that build servers share: a suite for each input, a case for each check.

use std::collections::BTreeMap;

use quick_xml::Writer;
use quick_xml::events::{BytesEnd, BytesStart, BytesText, Event};

use super::{Item, Unread, missed, remedy};
use crate::check::CHECKS;
use crate::report::{FailOn, Finding, NotRunStatus, Report, Severity};

/// All inputs as one document.
pub fn junit(items: &[Item<'_>]) -> String {
    junit_with(items, &[])
}

/// The same, with a suite of one broken case for each input that could not be read.
pub fn junit_with(items: &[Item<'_>], unread: &[Unread<'_>]) -> String {
    let mut writer = Writer::new_with_indent(Vec::new(), b' ', 1);
    // Writing into memory cannot fail.
    let _ = document(&mut writer, items, unread);
    let mut text = String::from("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n");
    text.push_str(&String::from_utf8_lossy(&writer.into_inner()));
    text.push('\n');
    text
}

type Xml = Writer<Vec<u8>>;

/// What a case is.
enum Case<'a> {
    Passed(Vec<&'a Finding>),
    Failed(Vec<&'a Finding>),
    Broken(&'a str),
    Skipped(&'a str),
}

fn document(xml: &mut Xml, items: &[Item<'_>], unread: &[Unread<'_>]) -> std::io::Result<()> {
    let broken = unread.iter().map(|one| (legal(one.path), vec![("reading", Case::Broken(one.reason))]));
    let suites: Vec<(String, Vec<(&str, Case<'_>)>)> =
        items.iter().map(|item| (legal(item.path), cases(item.report))).chain(broken).collect();
    let total = |which: fn(&Case<'_>) -> bool| {
        suites.iter().flat_map(|(_, cases)| cases).filter(|(_, case)| which(case)).count()
    };
    let mut top = BytesStart::new("testsuites");
    top.push_attribute(("name", "condyle"));
    // Of the schemas around, some know no attribute `skipped` here.
    count(&mut top, false, suites.iter().map(|(_, cases)| cases.len()).sum(), total);
    xml.write_event(Event::Start(top))?;
    for (name, cases) in &suites {
        let mut suite = BytesStart::new("testsuite");
        suite.push_attribute(("name", name.as_str()));
        let number = |which: fn(&Case<'_>) -> bool| cases.iter().filter(|(_, case)| which(case)).count();
        count(&mut suite, true, cases.len(), number);
        xml.write_event(Event::Start(suite))?;
        for (check, case) in cases {
            write(xml, name, check, case)?;
        }
        xml.write_event(Event::End(BytesEnd::new("testsuite")))?;
    }
    xml.write_event(Event::End(BytesEnd::new("testsuites")))
}

fn count(
    element: &mut BytesStart<'_>,
    skipped: bool,
    tests: usize,
    number: impl Fn(fn(&Case<'_>) -> bool) -> usize,
) {
    let numbers = [
        ("tests", tests),
        ("failures", number(|case| matches!(case, Case::Failed(_)))),
        ("errors", number(|case| matches!(case, Case::Broken(_)))),
        ("skipped", number(|case| matches!(case, Case::Skipped(_)))),
    ];
    for (name, value) in numbers.into_iter().filter(|(name, _)| skipped || *name != "skipped") {
        element.push_attribute((name, value.to_string().as_str()));
    }
}

fn write(xml: &mut Xml, suite: &str, check: &str, case: &Case<'_>) -> std::io::Result<()> {
    let mut element = BytesStart::new("testcase");
    element.push_attribute(("classname", suite));
    element.push_attribute(("name", check));
    let inside = |xml: &mut Xml, element: BytesStart<'_>, name: &str, message: &str, text: &str| {
        xml.write_event(Event::Start(element))?;
        let mut inner = BytesStart::new(name.to_owned());
        if !message.is_empty() {
            inner.push_attribute(("message", legal(message).as_str()));
        }
        xml.write_event(Event::Start(inner))?;
        xml.write_event(Event::Text(BytesText::new(&legal(text))))?;
        xml.write_event(Event::End(BytesEnd::new(name.to_owned())))?;
        xml.write_event(Event::End(BytesEnd::new("testcase")))
    };
    match case {
        Case::Passed(findings) if findings.is_empty() => xml.write_event(Event::Empty(element)),
        Case::Passed(findings) => inside(xml, element, "system-out", "", &lines(findings)),
        Case::Failed(findings) => {
            let first = findings.first().map_or("", |finding| finding.message.as_str());
            inside(xml, element, "failure", first, &lines(findings))
        }
        Case::Broken(reason) => inside(xml, element, "error", reason, ""),
        Case::Skipped(reason) => inside(xml, element, "skipped", reason, ""),
    }
}

/// A case for each check that was selected; the gate's threshold says which findings fail it.
fn cases(report: &Report) -> Vec<(&'static str, Case<'_>)> {
    let mut by_check: BTreeMap<&str, Vec<&Finding>> = BTreeMap::new();
    for finding in &report.findings {
        by_check.entry(&finding.check).or_default().push(finding);
    }
    let reasons: BTreeMap<&str, &str> = missed(report).collect();
    let list = CHECKS.iter().filter_map(|check| {
        let findings = by_check.remove(check.id).unwrap_or_default();
        let idle = report.not_run.iter().find(|one| one.check == check.id);
        let closes = |finding: &&Finding| {
            finding.waiver.is_none()
                && match report.gate.fail_on {
                    FailOn::Error => finding.severity == Severity::Error,
                    FailOn::Warning => finding.severity <= Severity::Warning,
                    FailOn::Never => false,
                }
        };
        let case = match idle {
            Some(one) if one.status == NotRunStatus::Disabled => return None,
            Some(one) if one.status == NotRunStatus::Failed => Case::Broken(&one.reason),
            _ if findings.iter().any(closes) => Case::Failed(findings),
            Some(one) if findings.is_empty() => {
                Case::Skipped(reasons.get(check.id).copied().unwrap_or(&one.reason))
            }
            _ => Case::Passed(findings),
        };
        Some((check.id, case))
    });
    list.collect()
}

fn lines(findings: &[&Finding]) -> String {
    let line = |finding: &&Finding| {
        let waived = finding.waiver.as_ref().map_or(String::new(), |w| format!(" [waived: {}]", w.reason));
        let fix = finding.fix.as_ref().map_or(String::new(), |fix| format!("\n  fix: {}", remedy(fix)));
        format!("{}: {}{waived}{fix}\n", finding.severity.word(), finding.message)
    };
    findings.iter().map(line).collect()
}

/// XML 1.0 §2.2: most control characters may not stand in a document, not even escaped.
fn legal(text: &str) -> String {
    text.chars()
        .map(|c| {
            if (c.is_control() && !matches!(c, '\t' | '\n')) || matches!(c, '\u{fffe}' | '\u{ffff}') {
                '\u{fffd}'
            } else {
                c
            }
        })
        .collect()
}
