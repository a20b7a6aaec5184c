//! A difference in Markdown, as a comment on a change: what is new, what is fixed, then the rest.

use std::fmt::Write as _;

use super::super::markdown::escape;
use super::super::said;
use super::{cause, chapters, remarks, restated};
use crate::difference::{Brief, Difference};

/// Lines of one list that are printed; the rest is told as a number.
const MOST: usize = 40;

/// The difference in Markdown.
pub fn markdown(difference: &Difference) -> String {
    let mut out = String::new();
    let (from, to) = (&difference.from, &difference.to);
    let _ = writeln!(
        out,
        "### {} {} → {} {}\n",
        escape(&from.name),
        said(from.verdict),
        escape(&to.name),
        said(to.verdict)
    );
    let findings = &difference.findings;
    let _ = writeln!(
        out,
        "{} new · {} fixed · {} unchanged\n",
        findings.new.len(),
        findings.fixed.len(),
        findings.unchanged.len()
    );
    for remark in remarks(difference) {
        let _ = writeln!(out, "{}\n", escape(&remark));
    }
    let list = |list: &[crate::difference::Changed]| -> Vec<Row> {
        list.iter().map(|one| Row::new(&one.finding, cause(one).unwrap_or_default())).collect()
    };
    table(&mut out, "New", &list(&findings.new));
    table(&mut out, "Fixed", &list(&findings.fixed));
    let restated: Vec<Row> =
        restated(difference).iter().map(|(finding, before)| Row::new(finding, before)).collect();
    table(&mut out, "Judged otherwise", &restated);
    if !findings.unchanged.is_empty() {
        let _ = writeln!(out, "<details><summary>{} unchanged</summary>\n", findings.unchanged.len());
        let rows: Vec<Row> = findings.unchanged.iter().map(|one| Row::new(&one.finding, "")).collect();
        rows_of(&mut out, &rows);
        let _ = writeln!(out, "</details>\n");
    }
    for chapter in chapters(difference) {
        let _ = writeln!(out, "#### {}\n", chapter.title);
        for line in chapter.lines.iter().take(MOST) {
            let _ = writeln!(out, "- {} {}", line.what, escape(&line.told));
        }
        if chapter.lines.len() > MOST {
            let _ = writeln!(out, "- … and {} more", chapter.lines.len() - MOST);
        }
        if !chapter.lines.is_empty() {
            out.push('\n');
        }
        for sum in &chapter.sums {
            let _ = writeln!(out, "{}\n", escape(sum));
        }
    }
    out
}

/// A finding as a row of a table.
struct Row([String; 4]);

impl Row {
    fn new(finding: &Brief, remark: &str) -> Self {
        let waived = if finding.waived { ", waived" } else { "" };
        Self([
            format!("{}{waived}", finding.severity.word()),
            escape(&finding.message),
            format!("`{}`", finding.check),
            escape(remark),
        ])
    }
}

fn table(out: &mut String, title: &str, rows: &[Row]) {
    if rows.is_empty() {
        return;
    }
    let _ = writeln!(out, "#### {title}\n");
    rows_of(out, rows);
}

fn rows_of(out: &mut String, rows: &[Row]) {
    let _ = writeln!(out, "| | finding | check | |\n|---|---|---|---|");
    for Row(cells) in rows.iter().take(MOST) {
        let _ = writeln!(out, "| {} |", cells.join(" | "));
    }
    if rows.len() > MOST {
        let _ = writeln!(out, "\n… and {} more", rows.len() - MOST);
    }
    out.push('\n');
}
