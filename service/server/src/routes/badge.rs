//! A verdict as a small SVG: a name, and a word on the verdict's colour. Its title says the same to those who do not
//! see it; shape and word say what the colour says.

use axum::http::HeaderMap;
use axum::response::Response;
use condyle_core::report::Verdict;

use super::negotiate::tagged;
use super::web::page::escape;

/// Width of a letter at the size used, a little wider than any monospaced face is.
const LETTER: usize = 8;
/// Letters of a name that are drawn; the title has them all.
const LONGEST: usize = 40;

/// The picture under the tag of its bytes, or 304.
pub(crate) fn answer(headers: &HeaderMap, name: &str, word: &str, verdict: Verdict) -> Response {
    let svg = draw(name, word, verdict);
    let tag = format!("\"{}\"", &condyle_core::intake::file_digest(svg.as_bytes())[..32]);
    tagged(headers, &tag, "image/svg+xml", || svg)
}

fn draw(name: &str, word: &str, verdict: Verdict) -> String {
    let shown: String = if name.chars().count() > LONGEST {
        name.chars().take(LONGEST - 1).chain(['…']).collect()
    } else {
        name.to_owned()
    };
    let (colour, shape) = match verdict {
        Verdict::Pass => ("#0b6e75", "●"),
        Verdict::Warn => ("#8a5a00", "▲"),
        Verdict::Fail => ("#a8322a", "■"),
    };
    let right = format!("{shape} {word}");
    let (left_width, right_width) =
        ((shown.chars().count() + 2) * LETTER, (right.chars().count() + 2) * LETTER);
    let width = left_width + right_width;
    let title = escape(&format!("{name}: {word}"));
    let (shown, right) = (escape(&shown), escape(&right));
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width}\" height=\"24\" viewBox=\"0 0 {width} 24\" \
         role=\"img\" aria-label=\"{title}\"><title>{title}</title>\
         <rect width=\"{width}\" height=\"24\" fill=\"#f6f3ec\"/>\
         <rect x=\"{left_width}\" width=\"{right_width}\" height=\"24\" fill=\"{colour}\"/>\
         <g font-family=\"ui-monospace,monospace\" font-size=\"12\">\
         <text x=\"{LETTER}\" y=\"16\" fill=\"#1d2b2a\">{shown}</text>\
         <text x=\"{}\" y=\"16\" fill=\"#ffffff\">{right}</text></g></svg>",
        left_width + LETTER
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_long_name_is_cut_in_the_picture_and_whole_in_the_title() {
        let name = "a".repeat(100);
        let svg = draw(&name, "fail", Verdict::Fail);
        assert!(svg.contains(&format!("<title>{name}: fail</title>")) && svg.contains("…</text>"));
        assert!(svg.contains("width=\"400\""), "40 + 2 and 6 + 2 letters of 8: {svg}");
    }
}
