//! The frame of every page.

use condyle_core::report::Verdict;

/// Text as HTML text.
pub fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c if c.is_control() && c != '\n' => out.push('\u{fffd}'),
            c => out.push(c),
        }
    }
    out
}

/// A verdict as a mark: told by word and shape as well as by colour.
pub fn mark(verdict: Verdict) -> String {
    let shape = match verdict {
        Verdict::Pass => "●",
        Verdict::Warn => "▲",
        Verdict::Fail => "■",
    };
    format!("<span class=\"mark {0}\">{shape} {0}</span>", verdict.word())
}

const STYLE: &str = "
:root{color-scheme:light dark;--ink:#1d2b2a;--paper:#f6f3ec;--line:#c9c2b2;--tide:#0b6e75;--sand:#9a6a00;--coral:#a8322a}
@media(prefers-color-scheme:dark){:root{--ink:#e6e2d8;--paper:#16201f;--line:#3b4846;--tide:#6cc7cb;--sand:#e2b54d;--coral:#ef8d80}}
body{font:16px/1.5 Georgia,serif;color:var(--ink);background:var(--paper);margin:0 auto;max-width:62rem;padding:1.5rem}
header{display:flex;gap:1.5rem;align-items:baseline;border-bottom:3px double var(--line);margin-bottom:1.5rem;flex-wrap:wrap}
header b{font-size:1.4rem;letter-spacing:.02em}a{color:var(--tide)}
h1{font-size:1.5rem;font-weight:normal}h2{font-size:1.1rem}
table{border-collapse:collapse;width:100%;margin:.5rem 0 1.5rem}th{text-align:left;font-weight:normal;font-style:italic}
th,td{padding:.35rem .6rem;border-bottom:1px solid var(--line);vertical-align:top}td.n{text-align:right;font-variant-numeric:tabular-nums}
code,.id{font:.86em ui-monospace,monospace}.mark{white-space:nowrap}.pass{color:var(--tide)}.warn,.warning{color:var(--sand)}
.fail,.error{color:var(--coral)}.note{color:var(--tide)}
article{border-left:4px solid currentColor;padding:.1rem 1rem;margin:1rem 0}article>*{color:var(--ink)}article h2{margin:.2rem 0}
small{opacity:.8}dl{display:grid;grid-template-columns:max-content 1fr;gap:.1rem 1rem;margin:.3rem 0}dd{margin:0}
";

/// A whole page.
pub fn page(title: &str, body: &str) -> String {
    format!(
        "<!doctype html><html lang=\"en\"><head><meta charset=\"utf-8\"><meta name=\"viewport\" \
         content=\"width=device-width\"><title>{} · Condyle</title><style>{STYLE}</style></head><body><header>\
         <b>Condyle</b> <a href=\"/\">Assets</a> <a href=\"/docs\">Reference</a></header>{body}</body></html>",
        escape(title)
    )
}
