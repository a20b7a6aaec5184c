//! Reports for readers and for the programs of a pipeline.

mod annotations;
mod difference;
mod html;
mod junit;
mod markdown;
mod parents;
mod places;
mod quality;
mod sarif;
mod text;

pub use annotations::{annotations, annotations_with};
pub use difference::{html as difference_html, markdown as difference_markdown, text as difference_text};
pub use html::{html, html_with};
pub use junit::{junit, junit_with};
pub use markdown::{markdown, markdown_with};
pub use parents::parents;
pub use quality::{quality, quality_with};
pub use sarif::{sarif, sarif_with};
pub use text::{Style, text};

use std::collections::BTreeSet;

use crate::difference::other_side;
use crate::figure::Figure;
use crate::finding::{Applicability, Fix};
use crate::report::{Finding, NotRunStatus, Report, Verdict};

/// A report, and where its input lies for the reader.
#[derive(Debug, Clone, Copy)]
pub struct Item<'a> {
    /// The path of the input as the reader knows it.
    pub path: &'a str,
    /// What was found.
    pub report: &'a Report,
    /// What was found the last time, to tell new findings from known ones.
    pub previous: Option<&'a Report>,
    /// Its drawing; the page holds it.
    pub figure: Option<&'a Figure>,
    /// Where its drawing lies for the reader; Markdown refers to it.
    pub picture: Option<&'a str>,
    /// The text that the findings' pointers go into: a plan, or a glTF in JSON. With it, findings have lines, and fixes
    /// are told as changes of the text.
    pub source: Option<&'a str>,
}

/// An input that makes no report, and why: a document that leaves it out would look as if all were well.
#[derive(Debug, Clone, Copy)]
pub struct Unread<'a> {
    /// The path of the input as the reader knows it.
    pub path: &'a str,
    /// Why nothing could be read from it.
    pub reason: &'a str,
}

impl<'a> Item<'a> {
    /// A report that stands alone.
    pub fn new(path: &'a str, report: &'a Report) -> Self {
        Self { path, report, previous: None, figure: None, picture: None, source: None }
    }

    /// Whether the last report has this finding too; `None` without one.
    fn known(&self, finding: &Finding) -> Option<bool> {
        self.previous.map(|report| report.findings.iter().any(|f| f.fingerprint == finding.fingerprint))
    }

    /// Whether the last report's check looked, told all that it found, and did not find this.
    fn is_new(&self, finding: &Finding) -> bool {
        self.known(finding) == Some(false)
            && self.previous.is_some_and(|report| other_side(finding, report).is_none())
    }

    /// What the last report has and this one has not, where its check looked again and told all that it found.
    fn fixed(&self) -> impl Iterator<Item = &'a Finding> {
        let report = self.report;
        let now: BTreeSet<&str> = report.findings.iter().map(|f| f.fingerprint.as_str()).collect();
        let before = self.previous.map_or(&[] as &[Finding], |previous| &previous.findings);
        before
            .iter()
            .filter(move |f| !now.contains(f.fingerprint.as_str()) && other_side(f, report).is_none())
    }
}

/// A verdict as the end of a sentence that begins with what was checked.
fn said(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Pass => "passes",
        Verdict::Warn => "passes with warnings",
        Verdict::Fail => "fails",
    }
}

/// A path as repositories have it: with slashes, and without the `./` that a walk begins with.
fn relative(path: &str) -> String {
    let path = path.replace('\\', "/");
    path.trim_start_matches("./").to_owned()
}

/// How a fix reads: what it does, and whether it wants a look.
fn remedy(fix: &Fix) -> String {
    let (Fix::Patch { applicability, summary, .. } | Fix::Repair { applicability, summary, .. }) = fix;
    match applicability {
        Applicability::Safe => summary.clone(),
        Applicability::Review => format!("{summary} (look at it first)"),
    }
}

/// What a reader must know was not looked at: check and reason.
fn missed(report: &Report) -> impl Iterator<Item = (&str, &str)> {
    let telling = |status: NotRunStatus| {
        matches!(status, NotRunStatus::Prerequisite | NotRunStatus::Cancelled | NotRunStatus::Failed)
    };
    report
        .not_run
        .iter()
        .filter(move |one| telling(one.status))
        .map(|one| (one.check.as_str(), one.reason.as_str()))
}

/// Names come from uploads: control characters and those that turn the direction of writing are made visible.
pub fn printable(text: &str) -> String {
    text.chars()
        .map(|c| {
            let harmful = c.is_control()
                || matches!(c, '\u{61c}' | '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
                // XML 1.0 knows no such characters.
                || matches!(c, '\u{fffe}' | '\u{ffff}');
            if harmful { '\u{fffd}' } else { c }
        })
        .collect()
}

fn plural(count: u64, word: &str) -> String {
    plural_of(count, word, &format!("{word}s"))
}

fn plural_of(count: u64, one: &str, many: &str) -> String {
    if count == 1 { format!("1 {one}") } else { format!("{count} {many}") }
}
