//! The code-quality list that some hosted repositories read: description, check, fingerprint, severity, place.

use serde_json::{Value, json};

use super::places::Places;
use super::{Item, Unread, printable, relative};
use crate::report::Severity;

/// The check of an input that could not be read; no check of the catalogue is called so, for it has no family.
const UNREAD: &str = "cannot-be-read";

/// All unwaived findings as one JSON list.
pub fn quality(items: &[Item<'_>]) -> String {
    quality_with(items, &[])
}

/// The same, with an entry for each input that could not be read.
pub fn quality_with(items: &[Item<'_>], unread: &[Unread<'_>]) -> String {
    let broken = unread.iter().map(|one| {
        let path = relative(one.path);
        json!({
            "description": printable(one.reason),
            "check_name": UNREAD,
            "fingerprint": fingerprint(&path, UNREAD),
            "severity": "blocker",
            "location": {"path": path, "lines": {"begin": 1}},
        })
    });
    let findings = items.iter().flat_map(|item| {
        let path = relative(item.path);
        let mut places = item.source.map(Places::new);
        let open = item.report.findings.iter().filter(|finding| finding.waiver.is_none());
        open.map(move |finding| {
            let at = places.as_mut().and_then(|places| places.line(&finding.subject.pointer));
            let severity = match finding.severity {
                Severity::Error => "critical",
                Severity::Warning => "major",
                Severity::Note => "info",
            };
            json!({
                "description": printable(&finding.message),
                "check_name": finding.check,
                "fingerprint": fingerprint(&path, &finding.fingerprint),
                "severity": severity,
                "location": {"path": path, "lines": {"begin": at.unwrap_or(1)}},
            })
        })
    });
    format!("{:#}\n", Value::Array(broken.chain(findings).collect()))
}

/// Two files may have the same fault: the path is part of it.
fn fingerprint(path: &str, fault: &str) -> String {
    crate::intake::file_digest(format!("{path}\0{fault}").as_bytes())
}
