//! One self-contained HTML file: no script, no outside asset, readable in print.

use std::fmt::Write as _;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use sha2::{Digest as _, Sha256};

use super::{Item, Unread, missed, plural, plural_of, printable, remedy, said};
use crate::report::{Finding, Report, Severity, Verdict};

/// Figures that one page holds.
const MOST_FIGURES: usize = 24;

/// Paper, ink and three marks that differ in shape and word, not in colour alone.
const STYLE: &str = "
:root{color-scheme:light dark;--ink:#1d2a30;--paper:#fbfaf6;--line:#c9cfc9;--soft:#5c6b70;--bad:#a3242b;--odd:#8a5a00;--aside:#2f5f8f;--good:#2c6e49}
@media(prefers-color-scheme:dark){:root{--ink:#e6e9e4;--paper:#182024;--line:#3c494e;--soft:#9fb0b3;--bad:#f0888c;--odd:#e4b35c;--aside:#8fbce6;--good:#86cfa3}}
body{font:16px/1.5 Georgia,serif;color:var(--ink);background:var(--paper);max-width:60rem;margin:2rem auto;padding:0 1rem}
h1{font-size:1.5rem;margin:2rem 0 .25rem}
.sum,.by{color:var(--soft);margin:0 0 1rem}
ol{list-style:none;padding:0;margin:0}
li{border-top:1px solid var(--line);padding:.75rem 0}
.word{display:inline-block;min-width:6.5rem;font-variant:small-caps}
.error .word,.fail{color:var(--bad)}.warning .word,.warn{color:var(--odd)}.note .word{color:var(--aside)}.pass{color:var(--good)}
.waived{opacity:.65}
dl{margin:.25rem 0 0 6.5rem;font-size:.9rem;display:grid;grid-template-columns:max-content 1fr;gap:0 1rem}
dt{color:var(--soft)}dd{margin:0}
code{font:.85em ui-monospace,monospace}
figure{margin:1rem 0;overflow-x:auto}figure svg{max-width:100%;height:auto}
.place{font-variant-numeric:tabular-nums;color:var(--soft)}
";

/// All inputs as one page.
pub fn html(items: &[Item<'_>]) -> String {
    html_with(items, &[])
}

/// The same, with what could not be read, and why, at its top.
pub fn html_with(items: &[Item<'_>], unread: &[Unread<'_>]) -> String {
    let mut out = String::new();
    let title = match (items, unread) {
        ([only], []) => format!("{}: {}", only.path, only.report.verdict.word()),
        ([], [only]) => format!("{} cannot be read", only.path),
        _ => format!("{} inputs", items.len() + unread.len()),
    };
    for one in unread {
        let _ = writeln!(
            out,
            "<section>\n<h1>{} <span class=\"fail\">cannot be read</span></h1>\n<p class=\"sum\">{}</p>\n</section>",
            escape(one.path),
            escape(one.reason)
        );
    }
    for (index, item) in items.iter().enumerate() {
        one(&mut out, item, index < MOST_FIGURES);
    }
    page(&title, &out)
}

/// A page around what it shows.
pub(super) fn page(title: &str, body: &str) -> String {
    format!(
        "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n<meta name=\"viewport\" content=\"width=device-width\">\n<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'sha256-{}'; base-uri 'none'; form-action 'none'\">\n<title>{}</title>\n<style>{STYLE}</style>\n</head>\n<body>\n{body}</body>\n</html>\n",
        STANDARD.encode(Sha256::digest(STYLE)),
        escape(title)
    )
}

/// The colour of a verdict; the word beside it says the same.
pub(super) fn class(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Pass => "pass",
        Verdict::Warn => "warn",
        Verdict::Fail => "fail",
    }
}

/// A severity by shape and word.
pub(super) fn mark(severity: Severity) -> &'static str {
    match severity {
        Severity::Error => "✕ error",
        Severity::Warning => "△ warning",
        Severity::Note => "○ note",
    }
}

fn one(out: &mut String, item: &Item<'_>, room: bool) {
    let report = item.report;
    let (class, word) = (class(report.verdict), said(report.verdict));
    let _ = write!(
        out,
        "<section>\n<h1>{} <span class=\"{class}\">{word}</span></h1>\n<p class=\"sum\">{}</p>\n",
        escape(item.path),
        summary(report)
    );
    match item.figure {
        Some(figure) if room => {
            let _ = writeln!(out, "<figure>{}</figure>", figure.svg);
        }
        Some(_) => {
            let _ = writeln!(
                out,
                "<p class=\"by\">A page holds {MOST_FIGURES} figures; this one is left out.</p>"
            );
        }
        None => {}
    }
    if !report.findings.is_empty() {
        out.push_str("<ol>\n");
        for finding in &report.findings {
            entry(out, item, finding, room);
        }
        out.push_str("</ol>\n");
    }
    for (check, cut) in &report.truncated {
        let _ = writeln!(out, "<p class=\"by\">{check}: {} of {} shown.</p>", cut.shown, cut.total);
    }
    let skipped: Vec<(&str, &str)> = missed(report).collect();
    if !skipped.is_empty() {
        out.push_str("<h2>Not checked</h2>\n<ul>\n");
        for (check, reason) in skipped {
            let _ = writeln!(out, "<li><code>{check}</code>: {}</li>", escape(reason));
        }
        out.push_str("</ul>\n");
    }
    out.push_str("</section>\n");
}

fn summary(report: &Report) -> String {
    let (counts, input) = (&report.counts, &report.input);
    let waived = if counts.waived > 0 { format!(", {} waived", counts.waived) } else { String::new() };
    format!(
        "{}, {}, {}{waived}. {}, {}, {}. Profile {}, judged by {}.",
        plural(counts.error, "error"),
        plural(counts.warning, "warning"),
        plural(counts.note, "note"),
        plural(input.joints, "joint"),
        plural_of(input.vertices, "vertex", "vertices"),
        plural(input.clips, "clip"),
        escape(&report.profile.name),
        report.as_of
    )
}

fn entry(out: &mut String, item: &Item<'_>, finding: &Finding, room: bool) {
    let mark = mark(finding.severity);
    let place = item.figure.filter(|_| room).and_then(|figure| figure.numbers.get(&finding.fingerprint));
    let place = place.map_or(String::new(), |number| format!("<span class=\"place\">({number})</span> "));
    let new = if item.is_new(finding) { " <b>new</b>" } else { "" };
    let waived = if finding.waiver.is_some() { " waived" } else { "" };
    let _ = write!(
        out,
        "<li class=\"{}{waived}\"><span class=\"word\">{mark}</span>{place}{}{new}\n<dl>",
        finding.severity.word(),
        escape(&finding.message)
    );
    let mut row = |name: &str, text: String| {
        let _ = write!(out, "<dt>{name}</dt><dd>{text}</dd>");
    };
    row("check", format!("<code>{}</code>", finding.check));
    row("why", escape(&finding.why));
    row("rule", escape(format!("{} {}", finding.source.title, finding.source.section).trim()));
    if let Some(fix) = &finding.fix {
        row("fix", escape(&remedy(fix)));
    }
    if let Some(waiver) = &finding.waiver {
        row("waived", escape(&format!("{} ({})", waiver.reason, waiver.by)));
    }
    out.push_str("</dl></li>\n");
}

/// Names come from uploads: they are text and never markup.
pub(super) fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in printable(text).chars() {
        match c {
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '&' => out.push_str("&amp;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            _ => out.push(c),
        }
    }
    out
}
