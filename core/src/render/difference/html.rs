//! A difference as one self-contained page, in the look of the reports.

use std::fmt::Write as _;

use super::super::html::{class, escape, mark, page};
use super::super::said;
use super::{Chapter, cause, chapters, remarks, restated};
use crate::difference::{Brief, Changed, Difference, SideSummary};

/// Entries of one list; the answer for programs has them all.
const MOST: usize = 200;

/// The difference as a page.
pub fn html(difference: &Difference) -> String {
    let (from, to) = (&difference.from, &difference.to);
    let side = |side: &SideSummary| {
        let (class, word) = (class(side.verdict), said(side.verdict));
        format!("{} <span class=\"{class}\">{word}</span>", escape(&side.name))
    };
    let findings = &difference.findings;
    let mut out = format!(
        "<section>\n<h1>{} → {}</h1>\n<p class=\"sum\">{} new, {} fixed, {} unchanged.</p>\n",
        side(from),
        side(to),
        findings.new.len(),
        findings.fixed.len(),
        findings.unchanged.len()
    );
    for remark in remarks(difference) {
        let _ = writeln!(out, "<p class=\"by\">{}</p>", escape(&remark));
    }
    let changed = |list: &[Changed]| -> Vec<String> {
        list.iter().map(|one| entry(&one.finding, cause(one).unwrap_or_default())).collect()
    };
    list(&mut out, "New", &changed(&findings.new));
    list(&mut out, "Fixed", &changed(&findings.fixed));
    let otherwise: Vec<String> =
        restated(difference).iter().map(|(finding, before)| entry(finding, before)).collect();
    list(&mut out, "Judged otherwise", &otherwise);
    if !findings.unchanged.is_empty() {
        let _ = writeln!(out, "<details><summary>{} unchanged</summary>", findings.unchanged.len());
        let unchanged: Vec<String> = findings.unchanged.iter().map(|one| entry(&one.finding, "")).collect();
        entries(&mut out, &unchanged);
        out.push_str("</details>\n");
    }
    for one in chapters(difference) {
        chapter(&mut out, &one);
    }
    out.push_str("</section>\n");
    page(&format!("{} → {}", from.name, to.name), &out)
}

fn entry(finding: &Brief, remark: &str) -> String {
    let waived = if finding.waived { " waived" } else { "" };
    let mut row = format!(
        "<li class=\"{}{waived}\"><span class=\"word\">{}</span>{}\n<dl><dt>check</dt><dd><code>{}</code></dd>",
        finding.severity.word(),
        mark(finding.severity),
        escape(&finding.message),
        finding.check
    );
    if !remark.is_empty() {
        let _ = write!(row, "<dt>why now</dt><dd>{}</dd>", escape(remark));
    }
    if finding.waived {
        row.push_str("<dt>waived</dt><dd>yes</dd>");
    }
    row.push_str("</dl></li>\n");
    row
}

fn list(out: &mut String, title: &str, rows: &[String]) {
    if !rows.is_empty() {
        let _ = writeln!(out, "<h2>{title}</h2>");
        entries(out, rows);
    }
}

fn entries(out: &mut String, rows: &[String]) {
    out.push_str("<ol>\n");
    out.extend(rows.iter().take(MOST).map(String::as_str));
    out.push_str("</ol>\n");
    rest(out, rows.len());
}

fn chapter(out: &mut String, chapter: &Chapter) {
    let _ = writeln!(out, "<h2>{}</h2>", chapter.title);
    if !chapter.lines.is_empty() {
        out.push_str("<dl>\n");
        for line in chapter.lines.iter().take(MOST) {
            let _ = writeln!(out, "<dt>{}</dt><dd>{}</dd>", line.what, escape(&line.told));
        }
        out.push_str("</dl>\n");
        rest(out, chapter.lines.len());
    }
    for sum in &chapter.sums {
        let _ = writeln!(out, "<p class=\"by\">{}</p>", escape(sum));
    }
}

fn rest(out: &mut String, count: usize) {
    if count > MOST {
        let _ = writeln!(out, "<p class=\"by\">… and {} more.</p>", count - MOST);
    }
}
