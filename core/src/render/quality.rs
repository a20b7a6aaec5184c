//! The code-quality list that some hosted repositories read: description, check, fingerprint, severity, place.

use serde_json::{Value, json};

use super::places::{Places, line};
use super::{Item, printable};
use crate::report::Severity;

/// All unwaived findings as one JSON list.
pub fn quality(items: &[Item<'_>]) -> String {
    let list: Vec<Value> = items
        .iter()
        .flat_map(|item| {
            let places = item.source.map(Places::new);
            let open = item.report.findings.iter().filter(|finding| finding.waiver.is_none());
            open.map(move |finding| {
                let at =
                    places.as_ref().and_then(|places| line(places, item.source?, &finding.subject.pointer));
                let severity = match finding.severity {
                    Severity::Error => "critical",
                    Severity::Warning => "major",
                    Severity::Note => "info",
                };
                json!({
                    "description": printable(&finding.message),
                    "check_name": finding.check,
                    // Two files may have the same fault: the path is part of it.
                    "fingerprint": crate::intake::file_digest(
                        format!("{}\0{}", item.path, finding.fingerprint).as_bytes()),
                    "severity": severity,
                    "location": {"path": item.path, "lines": {"begin": at.unwrap_or(1)}},
                })
            })
        })
        .collect();
    format!("{:#}\n", Value::Array(list))
}
