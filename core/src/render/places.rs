//! Where something stands in a text, as readers of text count: lines and columns from 1, columns in code points.

use std::ops::Range;

use crate::finding::PatchOp;
use crate::repair::{Edit, Written};

/// Bytes of a text that are gone through, in all, to tell patches as changes of it: who has a large document and
/// very many faults in it gets the rest of the patches as patches alone.
const MOST_GONE_THROUGH: usize = 256 << 20;

/// Bytes in which code points are counted anew for each place.
const STRETCH: usize = 4096;

/// A text with the beginnings of its lines.
pub(super) struct Places<'a> {
    text: &'a str,
    lines: Vec<usize>,
    /// Code points before each stretch of [`STRETCH`] bytes.
    counted: Vec<usize>,
    written: Option<Written<'a>>,
    gone_through: usize,
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
        let mut counted = vec![0];
        let mut before = 0;
        for stretch in bytes.chunks(STRETCH) {
            before += begun(stretch);
            counted.push(before);
        }
        Self { text, lines, counted, written: Written::new(text), gone_through: 0 }
    }

    /// Where the value at a JSON Pointer stands: its first byte, and the one after it.
    pub(super) fn stands(&mut self, pointer: &str) -> Option<Range<usize>> {
        let (start, end) = self.written.as_mut()?.stands(pointer)?;
        Some(start..end)
    }

    /// The line on which the value at a JSON Pointer begins.
    pub(super) fn line(&mut self, pointer: &str) -> Option<usize> {
        let start = self.stands(pointer)?.start;
        Some(self.of(start)?.line)
    }

    /// What a patch changes in the text.
    pub(super) fn edits(&mut self, patch: &[PatchOp]) -> Option<Vec<Edit>> {
        self.gone_through = self.gone_through.saturating_add(self.text.len());
        if self.gone_through > MOST_GONE_THROUGH {
            return None;
        }
        self.written.as_ref()?.edits(patch)
    }

    /// The place of a byte; nothing beyond the text or within a character.
    pub(super) fn of(&self, byte: usize) -> Option<Place> {
        if !self.text.is_char_boundary(byte) {
            return None;
        }
        let line = self.lines.partition_point(|start| *start <= byte);
        let start = *self.lines.get(line.checked_sub(1)?)?;
        // A byte-order mark is no character of the text (SARIF 2.1.0 §3.30.1).
        let mark = usize::from(byte > 0 && self.text.starts_with('\u{feff}'));
        let offset = self.characters(byte)? - mark;
        let column = if start == 0 { offset } else { offset + mark - self.characters(start)? };
        Some(Place { line, column: column + 1, offset })
    }

    /// Code points that begin before a byte.
    fn characters(&self, byte: usize) -> Option<usize> {
        let from = byte / STRETCH;
        let counted = self.counted.get(from)?;
        Some(counted + begun(self.text.as_bytes().get(from * STRETCH..byte)?))
    }

    /// Both ends of a stretch of bytes.
    pub(super) fn between(&self, bytes: Range<usize>) -> Option<(Place, Place)> {
        Some((self.of(bytes.start)?, self.of(bytes.end)?))
    }
}

/// Code points that begin in some bytes of UTF-8 (RFC 3629 §3: all other bytes are 10xxxxxx).
fn begun(bytes: &[u8]) -> usize {
    bytes.iter().filter(|byte| **byte & 0xc0 != 0x80).count()
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

    /// Against a count of the characters themselves, over the ends of stretches.
    #[test]
    fn long_texts_are_counted_as_short_ones() {
        let text = "ö1𝄞\n2".repeat(3 * STRETCH / 8);
        let places = Places::new(&text);
        for (at, _) in text.char_indices().step_by(97).chain([(text.len(), ' ')]) {
            let before = &text[..at];
            let line = before.matches('\n').count() + 1;
            let column = before.rsplit('\n').next().map_or(0, |line| line.chars().count()) + 1;
            let offset = before.chars().count();
            assert_eq!(places.of(at), Some(Place { line, column, offset }));
        }
        let whole = "ö".repeat(STRETCH);
        assert_eq!(Places::new(&whole).of(whole.len()).map(|place| place.offset), Some(STRETCH));
    }
}
