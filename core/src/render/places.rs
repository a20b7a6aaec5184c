//! Where something stands in a text, as readers of text count: lines and columns from 1, columns in code points.

use std::ops::Range;

use crate::repair::stands;

/// A text with the beginnings of its lines.
pub(super) struct Places<'a> {
    text: &'a str,
    lines: Vec<usize>,
}

/// A place: line and column, both from 1, and the code points before it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Place {
    pub(super) line: usize,
    pub(super) column: usize,
    pub(super) offset: usize,
}

impl<'a> Places<'a> {
    pub(super) fn new(text: &'a str) -> Self {
        let bytes = text.as_bytes();
        // A line ends with LF, CR LF, or CR alone (SARIF 2.1.0 §3.30.2 leaves it to the reader; these are all).
        let ends = |at: usize| bytes[at] == b'\n' || bytes[at] == b'\r' && bytes.get(at + 1) != Some(&b'\n');
        let lines =
            std::iter::once(0).chain((0..bytes.len()).filter(|at| ends(*at)).map(|at| at + 1)).collect();
        Self { text, lines }
    }

    /// The place of a byte; nothing beyond the text or within a character.
    pub(super) fn of(&self, byte: usize) -> Option<Place> {
        let before = self.text.get(..byte)?;
        let line = self.lines.partition_point(|start| *start <= byte);
        let start = *self.lines.get(line.checked_sub(1)?)?;
        // A byte-order mark is no character of the text (SARIF 2.1.0 §3.30.1).
        let mark = |text: &str| usize::from(text.starts_with('\u{feff}'));
        let within = before.get(start..)?;
        let within = within.chars().count() - if start == 0 { mark(within) } else { 0 };
        Some(Place { line, column: within + 1, offset: before.chars().count() - mark(before) })
    }

    /// Both ends of a stretch of bytes.
    pub(super) fn between(&self, bytes: Range<usize>) -> Option<(Place, Place)> {
        Some((self.of(bytes.start)?, self.of(bytes.end)?))
    }
}

/// The line on which the value at a JSON Pointer begins.
pub(super) fn line(places: &Places<'_>, text: &str, pointer: &str) -> Option<usize> {
    let (start, _) = stands(text, pointer)?;
    Some(places.of(start)?.line)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_and_columns_are_counted_from_one_in_characters() {
        let places = Places::new("\u{feff}{\n \"ö\": 1,\r\n\"x\": 2}\r3");
        let of = |text: &str| {
            let at = "\u{feff}{\n \"ö\": 1,\r\n\"x\": 2}\r3".find(text);
            at.and_then(|at| places.of(at)).map(|place| (place.line, place.column, place.offset))
        };
        assert_eq!(of("{"), Some((1, 1, 0)));
        assert_eq!(of("1"), Some((2, 7, 8)));
        assert_eq!(of("\"x\""), Some((3, 1, 12)));
        assert_eq!(of("3"), Some((4, 1, 20)));
        assert_eq!(places.of(1_000), None);
        assert_eq!(places.of(1), None, "within the mark");
    }
}
