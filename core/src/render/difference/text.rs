//! A difference as plain text.

use std::fmt::Write as _;

use super::{Chapter, cause, chapters, printable, remarks, restated};
use crate::difference::{Changed, Difference};

/// Lines of one list that are printed; the rest is told as a number.
const MOST: usize = 40;

/// The difference as plain text.
pub fn text(difference: &Difference) -> String {
    let mut out = String::new();
    let (from, to) = (&difference.from, &difference.to);
    let _ = writeln!(
        out,
        "{} {} → {} {}",
        printable(&from.name),
        from.verdict.word(),
        printable(&to.name),
        to.verdict.word()
    );
    let findings = &difference.findings;
    let _ = writeln!(
        out,
        "     {} new · {} fixed · {} unchanged",
        findings.new.len(),
        findings.fixed.len(),
        findings.unchanged.len()
    );
    for remark in remarks(difference) {
        let _ = writeln!(out, "     {}", printable(&remark));
    }
    write_list(&mut out, "new", &findings.new);
    write_list(&mut out, "fixed", &findings.fixed);
    let restated: Vec<String> = restated(difference)
        .into_iter()
        .map(|(finding, before)| {
            let message = printable(&finding.message);
            format!("  judged otherwise {} {message}  {} ({before})", finding.severity.word(), finding.check)
        })
        .collect();
    write_lines(&mut out, &restated);
    for chapter in chapters(difference) {
        write_chapter(&mut out, &chapter);
    }
    out
}

fn write_list(out: &mut String, word: &str, list: &[Changed]) {
    let lines: Vec<String> = list
        .iter()
        .map(|one| {
            let cause = cause(one).map_or(String::new(), |words| format!(" ({words})"));
            let waived = if one.finding.waived { ", waived" } else { "" };
            format!(
                "  {word:5} {}{waived} {}  {}{cause}",
                one.finding.severity.word(),
                printable(&one.finding.message),
                one.finding.check
            )
        })
        .collect();
    write_lines(out, &lines);
}

fn write_chapter(out: &mut String, chapter: &Chapter) {
    let lines: Vec<String> =
        chapter.lines.iter().map(|line| format!("  {:16} {}", line.what, line.told)).collect();
    write_lines(out, &lines);
    if !chapter.sums.is_empty() {
        out.push('\n');
    }
    for sum in &chapter.sums {
        let _ = writeln!(out, "  {sum}");
    }
}

fn write_lines(out: &mut String, lines: &[String]) {
    if lines.is_empty() {
        return;
    }
    out.push('\n');
    for line in lines.iter().take(MOST) {
        let _ = writeln!(out, "{line}");
    }
    if lines.len() > MOST {
        let _ = writeln!(out, "  … and {} more", lines.len() - MOST);
    }
}
