//! The frame of every page.

use axum::http::{HeaderName, HeaderValue, header};
use axum::response::Html;
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
:root{color-scheme:light dark;--ink:#1d2b2a;--paper:#f6f3ec;--line:#c9c2b2;--tide:#0b6e75;--sand:#8a5a00;--coral:#a8322a;--pool:#ece7da}
@media(prefers-color-scheme:dark){:root{--ink:#e6e2d8;--paper:#16201f;--line:#3b4846;--tide:#6cc7cb;--sand:#e2b54d;--coral:#ef8d80;--pool:#1f2c2a}}
*{box-sizing:border-box}
body{font:16px/1.5 Georgia,serif;color:var(--ink);background:var(--paper);margin:0 auto;max-width:66rem;padding:1.5rem}
header{display:flex;gap:1.5rem;align-items:baseline;border-bottom:3px double var(--line);margin-bottom:1.5rem;flex-wrap:wrap}
header b{font-size:1.4rem;letter-spacing:.02em}a{color:var(--tide)}
:focus-visible{outline:3px solid var(--tide);outline-offset:2px}
h1{font-size:1.5rem;font-weight:normal;overflow-wrap:anywhere}h2{font-size:1.1rem;margin:2rem 0 .4rem}h3{font-size:1rem}
.scroll{overflow-x:auto}table{border-collapse:collapse;width:100%;margin:.5rem 0 1.5rem}th{text-align:left;font-weight:normal;font-style:italic}
th,td{padding:.35rem .6rem;border-bottom:1px solid var(--line);vertical-align:top}td.n,th.n{text-align:right;font-variant-numeric:tabular-nums}
code,.id,pre{font:.86em ui-monospace,monospace}pre{background:var(--pool);padding:.7rem;overflow-x:auto}
.mark{white-space:nowrap}.pass{color:var(--tide)}.warn,.warning{color:var(--sand)}.fail,.error{color:var(--coral)}.note{color:var(--tide)}
form{display:flex;gap:.8rem;flex-wrap:wrap;align-items:end;margin:0 0 1rem}label{display:grid;font-style:italic;font-size:.9rem}
input,select,button{font:inherit;color:inherit;background:var(--pool);border:1px solid var(--line);padding:.3rem .5rem;border-radius:0}button{cursor:pointer}
article{border-left:4px solid currentColor;padding:.1rem 1rem;margin:1.1rem 0}article>*{color:var(--ink)}article h3{margin:.2rem 0;overflow-wrap:anywhere}
article p{margin:.2rem 0}article .sev{color:inherit}article.waived{border-left-style:dotted;opacity:.85}
small{opacity:.85}dl{display:grid;grid-template-columns:max-content 1fr;gap:.1rem 1rem;margin:.3rem 0}dt{font-style:italic}dd{margin:0;overflow-wrap:anywhere}
figure{margin:1rem 0;overflow-x:auto}figure img{max-width:100%;height:auto;border:1px solid var(--line)}
svg.trend rect{fill:currentColor}ul.plain{list-style:none;padding:0;display:flex;flex-wrap:wrap;gap:.2rem 1.4rem}
nav.strip{display:flex;gap:.4rem 1rem;flex-wrap:wrap;margin:.3rem 0 1rem}[aria-current]{font-weight:bold}
";

/// A page's text with what keeps it harmless: no script, nothing from outside.
pub type Page = ([(HeaderName, HeaderValue); 2], Html<String>);

/// A whole page.
pub fn page(title: &str, body: &str) -> Page {
    let text = format!(
        "<!doctype html><html lang=\"en\"><head><meta charset=\"utf-8\"><meta name=\"viewport\" \
         content=\"width=device-width,initial-scale=1\"><title>{} · Condyle</title><link rel=\"icon\" href=\"data:,\">\
         <style>{STYLE}</style></head><body><header><b>Condyle</b> <a href=\"/\">Assets</a> \
         <a href=\"/docs\">Reference</a></header><main>{body}</main></body></html>",
        escape(title)
    );
    let policy = "default-src 'none'; style-src 'unsafe-inline'; img-src 'self' data:; form-action 'self'; base-uri 'none'; \
                  frame-ancestors 'none'";
    let headers = [
        (header::CONTENT_SECURITY_POLICY, HeaderValue::from_static(policy)),
        (header::CACHE_CONTROL, HeaderValue::from_static("no-cache")),
    ];
    (headers, Html(text))
}
