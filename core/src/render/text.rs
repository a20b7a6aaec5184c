//! Plain text that a rigger likes to read: worst first, one finding a paragraph, the fix below it.

use std::fmt::Write as _;

use crate::finding::{Applicability, Fix};
use crate::report::{Finding, NotRunStatus, Report, Severity, Verdict};

/// How the text looks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Style {
    /// ANSI colours.
    pub colour: bool,
    /// Say why and where the rule comes from.
    pub explain: bool,
}

impl Style {
    fn paint(self, code: &str, text: &str) -> String {
        if self.colour { format!("\u{1b}[{code}m{text}\u{1b}[0m") } else { text.to_owned() }
    }
}

/// The report as text.
pub fn text(report: &Report, style: Style) -> String {
    let mut out = String::new();
    let name = report.input.files.iter().map(|f| printable(&f.name)).collect::<Vec<_>>().join(" + ");
    let (code, word) = match report.verdict {
        Verdict::Pass => ("1;32", "PASS"),
        Verdict::Warn => ("1;33", "WARN"),
        Verdict::Fail => ("1;31", "FAIL"),
    };
    let counts = &report.counts;
    let _ = write!(out, "{} {}", style.paint(code, word), style.paint("1", &name));
    let _ = writeln!(
        out,
        "  {} · {} · {}{}",
        plural(counts.error, "error"),
        plural(counts.warning, "warning"),
        plural(counts.note, "note"),
        if counts.waived > 0 { format!(" · {} waived", counts.waived) } else { String::new() }
    );
    let input = &report.input;
    let what = format!(
        "     {} · {} · {} · profile {} · judged by {}",
        plural(input.joints, "joint"),
        plural_of(input.vertices, "vertex", "vertices"),
        plural(input.clips, "clip"),
        report.profile.name,
        report.as_of
    );
    let _ = writeln!(out, "{}", style.paint("2", &what));
    for finding in &report.findings {
        out.push('\n');
        write_finding(&mut out, finding, style);
    }
    if !report.findings.is_empty() {
        out.push('\n');
    }
    for (check, cut) in &report.truncated {
        let _ = writeln!(out, "  … {check}: {} of {} shown", cut.shown, cut.total);
    }
    for approximation in &report.approximations {
        let _ =
            writeln!(out, "  approximated: {} ({})", printable(&approximation.what), approximation.amount);
    }
    let mut missed: Vec<(&str, Vec<&str>)> = Vec::new();
    for skipped in &report.not_run {
        let telling = matches!(
            skipped.status,
            NotRunStatus::Prerequisite | NotRunStatus::Cancelled | NotRunStatus::Failed
        );
        if !telling {
            continue;
        }
        match missed.iter_mut().find(|(reason, _)| *reason == skipped.reason) {
            Some((_, checks)) => checks.push(&skipped.check),
            None => missed.push((&skipped.reason, vec![&skipped.check])),
        }
    }
    for (reason, checks) in missed {
        let _ = writeln!(out, "  not checked: {} ({})", checks.join(", "), printable(reason));
    }
    out
}

fn write_finding(out: &mut String, finding: &Finding, style: Style) {
    let (code, mark) = match finding.severity {
        Severity::Error => ("31", "error  "),
        Severity::Warning => ("33", "warning"),
        Severity::Note => ("36", "note   "),
    };
    let head = style.paint(code, mark);
    let _ = writeln!(out, "  {head} {}  {}", printable(&finding.message), style.paint("2", &finding.check));
    if let Some(waiver) = &finding.waiver {
        let _ = writeln!(out, "          waived by {}: {}", printable(&waiver.by), printable(&waiver.reason));
    }
    if style.explain {
        let section = if finding.source.section.is_empty() {
            String::new()
        } else {
            format!(" §{}", finding.source.section)
        };
        let _ = writeln!(out, "          why: {} [{}{section}]", finding.why, finding.source.title);
    }
    if let Some(fix) = &finding.fix {
        let (safe, summary) = match fix {
            Fix::Patch { applicability, summary, .. } | Fix::Repair { applicability, summary, .. } => {
                (applicability, summary)
            }
        };
        let label = if *safe == Applicability::Safe { "fix" } else { "fix, to be looked at" };
        let _ = writeln!(out, "          {label}: {}", printable(summary));
    }
}

/// Names come from uploads: control characters would drive the reader's terminal.
fn printable(text: &str) -> String {
    text.chars()
        .map(|c| {
            let harmful = c.is_control()
                || matches!(c, '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
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
