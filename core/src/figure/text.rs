//! Text on the paper: what may be shown, how wide it is, where it is cut.
//!
//! No font is at hand, so widths are those of Helvetica, which Arial and Liberation Sans share; where a reader's font is
//! wider, `textLength` holds the text within its width all the same.

use unicode_width::UnicodeWidthChar as _;

use crate::render::printable;

/// Advance widths of U+0020 to U+007E, thousandths of an em: Adobe Core 14 AFM, Helvetica.
const ADVANCE: [u16; 95] = [
    278, 278, 355, 556, 556, 889, 667, 191, 333, 333, 389, 584, 278, 333, 278, 278, 556, 556, 556, 556, 556,
    556, 556, 556, 556, 556, 278, 278, 584, 584, 584, 556, 1015, 667, 667, 722, 722, 667, 611, 778, 722, 278,
    500, 667, 556, 833, 722, 778, 667, 778, 722, 667, 611, 722, 667, 944, 667, 667, 611, 278, 278, 278, 469,
    556, 333, 556, 556, 500, 556, 556, 278, 556, 556, 222, 222, 500, 222, 833, 556, 556, 556, 556, 333, 500,
    278, 556, 500, 722, 500, 500, 500, 334, 260, 334, 584,
];
/// Of what the table does not hold: a wide letter, as Cyrillic and Greek capitals are.
const OTHER: f64 = 0.8;
/// Marks above or below one letter that are kept: more of them would run into the lines around.
const MOST_MARKS: u32 = 2;
/// Characters of a text that are looked at.
const LONGEST: usize = 400;

/// Width of a text in the units of `size`.
pub(super) fn width(text: &str, size: f64) -> f64 {
    text.chars().map(advance).sum::<f64>() * size
}

fn advance(c: char) -> f64 {
    let at = (c as u32).wrapping_sub(0x20) as usize;
    if let Some(wide) = ADVANCE.get(at) {
        return f64::from(*wide) / 1e3;
    }
    match (c, c.width()) {
        ('·' | '…' | '×' | '–' | '−' | '°', _) => 0.6,
        (_, Some(0)) => 0.0,
        (_, Some(1)) => OTHER,
        _ => 1.1,
    }
}

/// Names come from uploads: nothing in them turns, hides or piles up.
pub(super) fn shown(text: &str) -> String {
    let mut marks = 0;
    let mut out = String::new();
    for c in printable(text).chars().take(LONGEST) {
        if c.width() == Some(0) {
            marks += 1;
            if marks > MOST_MARKS || out.is_empty() {
                continue;
            }
        } else {
            marks = 0;
        }
        out.push(c);
    }
    out.trim().to_owned()
}

/// The text, cut in the middle where it is wider: names of one rig begin alike and end differently.
pub(super) fn fitted(text: &str, size: f64, most: f64) -> String {
    if width(text, size) <= most {
        return text.to_owned();
    }
    let letters: Vec<char> = text.chars().collect();
    let whole = |kept: usize| -> String {
        let head = kept.div_ceil(2);
        letters[..head].iter().chain(['…'].iter()).chain(&letters[letters.len() - (kept - head)..]).collect()
    };
    (0..letters.len()).rev().map(whole).find(|cut| width(cut, size) <= most).unwrap_or_default()
}

/// The text in lines no wider than `most`, at most `lines` of them; what does not fit is cut off with an ellipsis.
pub(super) fn wrapped(text: &str, size: f64, most: f64, lines: usize) -> Vec<String> {
    let mut out: Vec<String> = Vec::new();
    let mut words = text.split_whitespace().peekable();
    while let Some(word) = words.next() {
        let joined = out.last().map(|line| format!("{line} {word}"));
        match joined {
            Some(joined) if width(&joined, size) <= most => {
                if let Some(last) = out.last_mut() {
                    *last = joined;
                }
            }
            _ if out.len() < lines => out.push(fitted(word, size, most)),
            _ => {
                if let Some(last) = out.last_mut() {
                    let rest: Vec<&str> = std::iter::once(word).chain(words.by_ref()).collect();
                    *last = cut(&format!("{last} {}", rest.join(" ")), size, most);
                }
            }
        }
    }
    out
}

/// The text, cut at its end where it is wider.
fn cut(text: &str, size: f64, most: f64) -> String {
    if width(text, size) <= most {
        return text.to_owned();
    }
    let mut out = String::new();
    let mut used = advance('…') * size;
    for c in text.chars() {
        used += advance(c) * size;
        if used > most {
            break;
        }
        out.push(c);
    }
    format!("{}…", out.trim_end())
}

/// Text as XML text or the value of an attribute.
pub(super) fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in printable(text).chars() {
        match c {
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '&' => out.push_str("&amp;"),
            '"' => out.push_str("&quot;"),
            _ => out.push(c),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_long_name_keeps_its_ends_and_fits() {
        let name = "tentacle_upper_left_segment_0017";
        let cut = fitted(name, 10.0, 90.0);
        assert!(width(&cut, 10.0) <= 90.0 && cut.starts_with("tent") && cut.ends_with("0017"), "{cut}");
        assert_eq!(fitted("hips", 10.0, 90.0), "hips");
    }

    #[test]
    fn wrapped_lines_fit_and_the_last_one_tells_that_there_was_more() {
        let lines = wrapped("the claw has no length and so no direction at all", 10.0, 80.0, 2);
        assert_eq!(lines.len(), 2);
        assert!(lines.iter().all(|line| width(line, 10.0) <= 80.0), "{lines:?}");
        assert!(lines[1].ends_with('…'));
        let lines = wrapped(&"x".repeat(500), 10.0, 80.0, 2);
        assert!(lines.len() == 1 && width(&lines[0], 10.0) <= 80.0, "one word is cut in its middle");
    }

    #[test]
    fn what_hides_turns_or_piles_up_is_gone() {
        assert_eq!(shown("a\u{202e}b\u{0}c"), "a\u{fffd}b\u{fffd}c");
        let pile = format!("o{}k", "\u{301}".repeat(40));
        assert_eq!(shown(&pile).chars().count(), 4);
        assert_eq!(escaped("<a href=\"x\">&\u{ffff}"), "&lt;a href=&quot;x&quot;&gt;&amp;\u{fffd}");
    }
}
