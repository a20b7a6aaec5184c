//! Workflow commands that a hosted build shows beside a change: one line a finding
//! (`::error file=…,title=…::message`).

use std::fmt::Write as _;

use super::places::Places;
use super::{Item, Unread, printable, relative, remedy};
use crate::report::Severity;

/// One command for each unwaived finding.
pub fn annotations(items: &[Item<'_>]) -> String {
    annotations_with(items, &[])
}

/// The same, with an error for each input that could not be read.
pub fn annotations_with(items: &[Item<'_>], unread: &[Unread<'_>]) -> String {
    let mut out = String::new();
    for one in unread {
        let _ = writeln!(
            out,
            "::error file={},title=cannot be read::{}",
            property(&relative(one.path)),
            data(&printable(one.reason))
        );
    }
    for item in items {
        let mut places = item.source.map(Places::new);
        for finding in item.report.findings.iter().filter(|finding| finding.waiver.is_none()) {
            let level = match finding.severity {
                Severity::Error => "error",
                Severity::Warning => "warning",
                Severity::Note => "notice",
            };
            let fix = finding.fix.as_ref().map_or(String::new(), |fix| format!("; fix: {}", remedy(fix)));
            let line = places.as_mut().and_then(|places| places.line(&finding.subject.pointer));
            let line = line.map_or(String::new(), |line| format!(",line={line}"));
            let _ = writeln!(
                out,
                "::{level} file={}{line},title={}::{}",
                property(&relative(item.path)),
                property(&finding.check),
                data(&printable(&format!("{}{fix}", finding.message)))
            );
        }
    }
    out
}

/// What would end or forge a command is written as a percent code.
fn data(text: &str) -> String {
    text.replace('%', "%25").replace('\r', "%0D").replace('\n', "%0A")
}

fn property(text: &str) -> String {
    data(text).replace(':', "%3A").replace(',', "%2C")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_cannot_forge_a_command() {
        assert_eq!(property("eel,title=x::y\n::error"), "eel%2Ctitle=x%3A%3Ay%0A%3A%3Aerror");
        assert_eq!(data("50 %\r\n"), "50 %25%0D%0A");
    }
}
