//! Plain text that a rigger likes to read: worst first, one finding a paragraph, the fix below it.

use std::fmt::Write as _;

use super::{plural, plural_of, printable};
use crate::finding::{Applicability, Fix};
use crate::report::{Finding, Report, Severity, Verdict};

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
    for (check, reason) in super::missed(report) {
        match missed.iter_mut().find(|(known, _)| *known == reason) {
            Some((_, checks)) => checks.push(check),
            None => missed.push((reason, vec![check])),
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
        let (Fix::Patch { applicability: safe, summary, .. }
        | Fix::Repair { applicability: safe, summary, .. }) = fix;
        let label = if *safe == Applicability::Safe { "fix" } else { "fix, to be looked at" };
        let _ = writeln!(out, "          {label}: {}", printable(summary));
    }
}
