//! SARIF 2.1.0 (OASIS): one run over any number of inputs.
//!
//! Places are logical locations (§3.33) within the file and, where its text is at hand, regions of it; fingerprints carry their
//! version (§3.27.17); waivers are suppressions (§3.35); the last report gives baseline states (§3.27.24).

use std::collections::BTreeMap;
use std::ops::Range;

use serde_json::{Map, Value, json};

use super::places::Places;
use super::{Item, Unread, missed, printable, remedy};
use crate::check::{CATALOGUE_VERSION, CHECKS, Descriptor};
use crate::finding::Fix;
use crate::report::{Finding, NotRunStatus, Report, Severity};

/// The log as JSON text.
pub fn sarif(items: &[Item<'_>]) -> String {
    sarif_with(items, &[])
}

/// The same, with a notification for each input that could not be read; the run is then no success (§3.20.14).
pub fn sarif_with(items: &[Item<'_>], unread: &[Unread<'_>]) -> String {
    let rules: Vec<Value> = CHECKS.iter().map(|check| rule(check)).collect();
    let index: BTreeMap<&str, usize> =
        CHECKS.iter().enumerate().map(|(index, check)| (check.id, index)).collect();
    let mut results = Vec::new();
    let mut artifacts = Vec::new();
    let mut notifications = Vec::new();
    let mut sound = unread.is_empty();
    let any_previous = items.iter().any(|item| item.previous.is_some());
    for one in unread {
        let location = json!({"uri": uri(one.path), "index": artifacts.len()});
        artifacts.push(json!({"location": {"uri": uri(one.path)}}));
        notifications.push(json!({
            "level": "error",
            "message": {"text": format!("{}: {}", printable(one.path), printable(one.reason))},
            "locations": [{"physicalLocation": {"artifactLocation": location}}],
        }));
    }
    for item in items {
        let artifact = artifacts.len();
        let digest = &item.report.input.sha256;
        artifacts.push(json!({"location": {"uri": uri(item.path)}, "hashes": {"sha-256": digest}}));
        let mut place = At {
            artifact: json!({"uri": uri(item.path), "index": artifact}),
            text: item.source.map(Places::new),
        };
        for finding in &item.report.findings {
            let state =
                any_previous.then(|| if item.known(finding) == Some(true) { "unchanged" } else { "new" });
            results.push(result(finding, &mut place, index.get(finding.check.as_str()).copied(), state));
        }
        place.text = None;
        for finding in item.fixed() {
            let at = index.get(finding.check.as_str()).copied();
            results.push(result(finding, &mut place, at, Some("absent")));
        }
        for (check, reason) in missed(item.report) {
            let mut note = json!({
                "level": "note",
                "message": {"text": format!("{}: {}", printable(item.path), printable(reason))},
            });
            if let Some(at) = index.get(check) {
                note["associatedRule"] = json!({"id": check, "index": at});
            }
            notifications.push(note);
        }
        sound &= !failed(item.report);
    }
    let log = json!({
        "$schema": "https://docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json",
        "version": "2.1.0",
        "runs": [{
            "tool": {"driver": {
                "name": "Condyle",
                "version": env!("CARGO_PKG_VERSION"),
                "properties": {"catalogue": items.first().map_or(CATALOGUE_VERSION, |item| item.report.catalogue.as_str())},
                "rules": rules,
            }},
            "artifacts": artifacts,
            "columnKind": "unicodeCodePoints",
            "invocations": [{"executionSuccessful": sound, "toolExecutionNotifications": notifications}],
            "results": results,
        }],
    });
    format!("{log:#}\n")
}

fn failed(report: &Report) -> bool {
    report.not_run.iter().any(|one| one.status == NotRunStatus::Failed)
}

fn rule(check: &Descriptor) -> Value {
    let severest = check.bands.iter().filter_map(|band| band.severity).min();
    let level = severest.map_or("note", Severity::word);
    let help = format!("{}\n\n{}", check.summary, check.why);
    json!({
        "id": check.id,
        "shortDescription": {"text": check.summary},
        "fullDescription": {"text": check.why},
        "help": {"text": help, "markdown": check.page},
        "defaultConfiguration": {"level": level, "enabled": severest.is_some()},
        "properties": {"tags": [check.family()], "source": format!("{} {}", check.rule.title, check.rule.section).trim()},
    })
}

/// The input that findings are in.
struct At<'a> {
    /// Its location (§3.4).
    artifact: Value,
    /// Its text, where it is a document of text.
    text: Option<Places<'a>>,
}

impl At<'_> {
    /// A stretch of the text (§3.30), by lines and columns and by offset: readers take either.
    fn region(&self, bytes: Range<usize>) -> Option<Value> {
        let (from, to) = self.text.as_ref()?.between(bytes)?;
        Some(json!({
            "startLine": from.line, "startColumn": from.column, "endLine": to.line, "endColumn": to.column,
            "charOffset": from.offset, "charLength": to.offset - from.offset,
        }))
    }

    /// Where a finding lies: the value that its pointer names, where there is a text, else the file.
    fn physical(&mut self, finding: &Finding) -> Value {
        let mut place = json!({"artifactLocation": self.artifact});
        let span = self.text.as_mut().and_then(|text| text.stands(&finding.subject.pointer));
        if let Some(region) = span.and_then(|bytes| self.region(bytes)) {
            place["region"] = region;
        }
        place
    }

    /// A patch as a change of the text (§3.55).
    fn fix(&mut self, fix: &Fix) -> Option<Value> {
        let Fix::Patch { patch, .. } = fix else { return None };
        let edits = self.text.as_mut()?.edits(patch)?;
        let replacements: Option<Vec<Value>> = edits
            .iter()
            .map(|edit| {
                let region = self.region(edit.start..edit.end)?;
                Some(json!({"deletedRegion": region, "insertedContent": {"text": edit.text}}))
            })
            .collect();
        let replacements = replacements.filter(|list| !list.is_empty())?;
        Some(json!({
            "description": {"text": printable(&remedy(fix))},
            "artifactChanges": [{"artifactLocation": self.artifact, "replacements": replacements}],
        }))
    }
}

fn result(finding: &Finding, place: &mut At<'_>, rule: Option<usize>, state: Option<&str>) -> Value {
    let mut out = Map::new();
    out.insert("ruleId".into(), json!(finding.check));
    if let Some(rule) = rule {
        out.insert("ruleIndex".into(), json!(rule));
    }
    out.insert("level".into(), json!(finding.severity.word()));
    out.insert("message".into(), json!({"text": printable(&finding.message)}));
    out.insert(
        "locations".into(),
        json!([{
            "physicalLocation": place.physical(finding),
            "logicalLocations": [{
                "name": printable(&finding.subject.name),
                "fullyQualifiedName": finding.subject.pointer,
                "kind": finding.subject.kind,
            }],
        }]),
    );
    let related: Vec<Value> = finding
        .related
        .iter()
        .map(|related| {
            json!({
                "message": {"text": related.relation},
                "logicalLocations": [{
                    "name": printable(&related.name),
                    "fullyQualifiedName": related.pointer,
                    "kind": related.kind,
                }],
            })
        })
        .collect();
    if !related.is_empty() {
        out.insert("relatedLocations".into(), json!(related));
    }
    out.insert("partialFingerprints".into(), json!({"condyle/v1": finding.fingerprint}));
    // §3.27.23: within a run every result has the list, or none has.
    let suppressions: Vec<Value> = finding
        .waiver
        .iter()
        .map(|waiver| {
            let by = if waiver.by.is_empty() { String::new() } else { format!(" ({})", waiver.by) };
            json!({"kind": "external", "status": "accepted", "justification": printable(&format!("{}{by}", waiver.reason))})
        })
        .collect();
    out.insert("suppressions".into(), json!(suppressions));
    if let Some(state) = state {
        out.insert("baselineState".into(), json!(state));
    }
    out.insert("rank".into(), json!((finding.confidence * 1000.0).round() / 10.0));
    let mut properties = Map::new();
    properties.insert("evidence".into(), json!(finding.evidence));
    if let Some(fix) = &finding.fix {
        // A fix of SARIF replaces a region of text. Where there is none (a binary model, or a report alone), a patch
        // (RFC 6902) or a named repair travels beside the result.
        if let Some(fix) = place.fix(fix) {
            out.insert("fixes".into(), json!([fix]));
        }
        properties
            .insert("appliedBy".into(), json!(format!("condyle repair --only {}", finding.fingerprint)));
        properties.insert("fix".into(), json!(fix));
        properties.insert("remedy".into(), json!(printable(&remedy(fix))));
        if let Fix::Patch { patch, .. } = fix {
            properties.insert("jsonPatch".into(), json!(patch));
        }
    }
    out.insert("properties".into(), Value::Object(properties));
    Value::Object(out)
}

/// A path as a relative URI reference (RFC 3986): what is no path character is percent-coded.
fn uri(path: &str) -> String {
    use percent_encoding::{AsciiSet, NON_ALPHANUMERIC, utf8_percent_encode};
    const KEPT: &AsciiSet =
        &NON_ALPHANUMERIC.remove(b'/').remove(b'.').remove(b'-').remove(b'_').remove(b'~').remove(b'+');
    utf8_percent_encode(&path.replace('\\', "/"), KEPT).to_string()
}
