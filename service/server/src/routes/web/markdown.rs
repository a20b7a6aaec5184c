//! The little Markdown that check pages use, as HTML: headings, paragraphs, lists, tables, fences, code, emphasis.

use std::fmt::Write as _;

use super::page::escape;

/// Markdown as HTML. Everything is escaped first: raw HTML stays text.
pub(super) fn html(text: &str) -> String {
    let mut out = String::new();
    let mut lines = text.lines().peekable();
    while let Some(line) = lines.next() {
        let trimmed = line.trim();
        if let Some(fence) = trimmed.strip_prefix("```") {
            let mut body = String::new();
            for inner in lines.by_ref() {
                if inner.trim_start().starts_with("```") {
                    break;
                }
                body.push_str(inner);
                body.push('\n');
            }
            let info = escape(fence.trim());
            let _ = write!(out, "<pre aria-label=\"{info}\"><code>{}</code></pre>", escape(&body));
        } else if let Some(level) = heading(trimmed) {
            let _ = write!(out, "<h{0}>{1}</h{0}>", level.min(4), inline(trimmed[level..].trim()));
        } else if trimmed.starts_with('|') {
            out.push_str("<table>");
            row(&mut out, trimmed, "th");
            while let Some(next) = lines.next_if(|next| next.trim().starts_with('|')) {
                let rule = next.chars().all(|c| matches!(c, '|' | '-' | ':' | ' '));
                if !rule {
                    row(&mut out, next.trim(), "td");
                }
            }
            out.push_str("</table>");
        } else if let Some(first) = item(trimmed) {
            out.push_str("<ul>");
            let mut text = first.to_owned();
            while let Some(next) = lines.next_if(|next| !next.trim().is_empty()) {
                if let Some(another) = item(next.trim()) {
                    let _ = write!(out, "<li>{}</li>", inline(&text));
                    another.clone_into(&mut text);
                } else {
                    text.push(' ');
                    text.push_str(next.trim());
                }
            }
            let _ = write!(out, "<li>{}</li></ul>", inline(&text));
        } else if !trimmed.is_empty() {
            let mut text = trimmed.to_owned();
            while let Some(next) = lines.next_if(|next| {
                let next = next.trim();
                !next.is_empty()
                    && !next.starts_with("```")
                    && heading(next).is_none()
                    && item(next).is_none()
            }) {
                text.push(' ');
                text.push_str(next.trim());
            }
            let _ = write!(out, "<p>{}</p>", inline(&text));
        }
    }
    out
}

fn heading(line: &str) -> Option<usize> {
    let level = line.bytes().take_while(|b| *b == b'#').count();
    ((1..=6).contains(&level) && line.as_bytes().get(level) == Some(&b' ')).then_some(level)
}

fn item(line: &str) -> Option<&str> {
    line.strip_prefix("- ").or_else(|| line.strip_prefix("* "))
}

fn row(out: &mut String, line: &str, cell_name: &str) {
    out.push_str("<tr>");
    for cell in line.trim_matches('|').split('|') {
        let _ = write!(out, "<{cell_name}>{}</{cell_name}>", inline(cell.trim()));
    }
    out.push_str("</tr>");
}

/// Code and strong text within a line.
pub(crate) fn inline(text: &str) -> String {
    let mut out = String::new();
    for (index, piece) in text.split('`').enumerate() {
        if index % 2 == 1 {
            let _ = write!(out, "<code>{}</code>", escape(piece));
            continue;
        }
        for (index, piece) in piece.split("**").enumerate() {
            let escaped = escape(piece);
            if index % 2 == 1 {
                let _ = write!(out, "<strong>{escaped}</strong>");
            } else {
                out.push_str(&escaped);
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::html;

    #[test]
    fn the_forms_that_pages_use() {
        assert_eq!(html("# A `b`\n\nOne\ntwo <i>\n"), "<h1>A <code>b</code></h1><p>One two &lt;i&gt;</p>");
        assert_eq!(html("- a\n  b\n- **c**"), "<ul><li>a b</li><li><strong>c</strong></li></ul>");
        assert_eq!(html("```rig\n<x>\n```"), "<pre aria-label=\"rig\"><code>&lt;x&gt;\n</code></pre>");
        assert_eq!(
            html("| a | b |\n|---|---|\n| 1 | 2 |"),
            "<table><tr><th>a</th><th>b</th></tr><tr><td>1</td><td>2</td></tr></table>"
        );
        assert_eq!(html("```\nno end"), "<pre aria-label=\"\"><code>no end\n</code></pre>");
    }
}
