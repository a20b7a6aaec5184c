//! Markdown, as a comment on a change: the verdict first, then what is new, then the rest folded away.

use std::fmt::Write as _;

use super::{Item, Unread, missed, plural, plural_of, printable, remedy, said};
use crate::report::{Finding, Severity};

/// All inputs as one comment.
pub fn markdown(items: &[Item<'_>]) -> String {
    markdown_with(items, &[])
}

/// The same, with what could not be read, and why, at its top.
pub fn markdown_with(items: &[Item<'_>], unread: &[Unread<'_>]) -> String {
    let mut out = String::new();
    for one in unread {
        let _ = writeln!(out, "### {} cannot be read\n\n{}\n", escape(one.path), escape(one.reason));
    }
    for item in items {
        one(&mut out, item);
    }
    out
}

fn one(out: &mut String, item: &Item<'_>) {
    let report = item.report;
    let word = said(report.verdict);
    let counts = &report.counts;
    let _ = writeln!(out, "### {} {word}\n", escape(item.path));
    let _ = write!(
        out,
        "{} · {} · {}",
        plural(counts.error, "error"),
        plural(counts.warning, "warning"),
        plural(counts.note, "note")
    );
    if counts.waived > 0 {
        let _ = write!(out, " · {} waived", counts.waived);
    }
    if item.previous.is_some() {
        let fixed = item.fixed().count();
        let new = report.findings.iter().filter(|f| item.is_new(f)).count();
        let _ = write!(out, " · {new} new, {fixed} fixed since the report before");
    }
    let input = &report.input;
    let _ = writeln!(
        out,
        "  \n{} · {} · {} · profile `{}` · judged by {}\n",
        plural(input.joints, "joint"),
        plural_of(input.vertices, "vertex", "vertices"),
        plural(input.clips, "clip"),
        report.profile.name,
        report.as_of
    );
    if let Some(picture) = item.picture {
        let _ = writeln!(
            out,
            "![the skeleton over the outline of the body, findings marked](<{}>)\n",
            address(picture)
        );
    }
    let open: Vec<&Finding> = report.findings.iter().filter(|f| f.waiver.is_none()).collect();
    let (loud, quiet): (Vec<&Finding>, Vec<&Finding>) =
        open.iter().partition(|f| f.severity != Severity::Note);
    table(out, item, &loud);
    if !quiet.is_empty() {
        let _ = writeln!(out, "<details><summary>{}</summary>\n", plural(quiet.len() as u64, "note"));
        table(out, item, &quiet);
        let _ = writeln!(out, "</details>\n");
    }
    let waived: Vec<&Finding> = report.findings.iter().filter(|f| f.waiver.is_some()).collect();
    if !waived.is_empty() {
        let _ = writeln!(out, "<details><summary>{} waived</summary>\n", waived.len());
        for finding in waived {
            let reason = finding.waiver.as_ref().map_or("", |w| w.reason.as_str());
            let _ = writeln!(out, "- {} (waived: {})", escape(&finding.message), escape(reason));
        }
        let _ = writeln!(out, "\n</details>\n");
    }
    for (check, cut) in &report.truncated {
        let _ = writeln!(out, "`{check}`: {} of {} shown.\n", cut.shown, cut.total);
    }
    for (check, reason) in missed(report) {
        let _ = writeln!(out, "Not checked: `{check}`, because {}.\n", escape(reason));
    }
}

fn table(out: &mut String, item: &Item<'_>, findings: &[&Finding]) {
    if findings.is_empty() {
        return;
    }
    let _ = writeln!(out, "| | finding | check | fix |\n|---|---|---|---|");
    for finding in findings {
        let new = if item.is_new(finding) { "**new** " } else { "" };
        let fix = finding.fix.as_ref().map_or(String::new(), |fix| escape(&remedy(fix)));
        let _ = writeln!(
            out,
            "| {new}{} | {} | `{}` | {fix} |",
            finding.severity.word(),
            escape(&finding.message),
            finding.check
        );
    }
    out.push('\n');
}

/// An address as Markdown takes it between angle brackets: what would end it is written by its number (RFC 3986 §2.1).
fn address(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in printable(text).chars() {
        match c {
            '<' => out.push_str("%3C"),
            '>' => out.push_str("%3E"),
            '\\' => out.push_str("%5C"),
            ' ' => out.push_str("%20"),
            _ => out.push(c),
        }
    }
    out
}

/// Names come from uploads: what Markdown or HTML would read as markup is written so that it is shown.
pub(super) fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in printable(text).chars() {
        match c {
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '&' => out.push_str("&amp;"),
            // A mention would call a person.
            '@' => out.push_str("&#64;"),
            '\\' | '`' | '*' | '_' | '[' | ']' | '|' | '#' | '~' | '!' => {
                out.push('\\');
                out.push(c);
            }
            _ => out.push(c),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::escape;

    #[test]
    fn names_are_shown_and_not_read() {
        assert_eq!(escape("claw_l|<b>@all</b>"), "claw\\_l\\|&lt;b&gt;&#64;all&lt;/b&gt;");
    }
}
