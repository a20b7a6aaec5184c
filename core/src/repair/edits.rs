//! Values and patches as places in the text itself, for readers that know text and no JSON.

use super::document::Document;
use super::patch;
use super::touched::Touched;
use crate::finding::PatchOp;

/// A stretch of a text and what stands there instead.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Edit {
    /// The first byte that goes.
    pub start: usize,
    /// The first byte that stays.
    pub end: usize,
    /// What comes in its place.
    pub text: String,
}

/// The text of a JSON document, read once for many looks.
#[derive(Debug)]
pub struct Written<'a> {
    text: &'a str,
    document: Document<'a>,
}

impl<'a> Written<'a> {
    /// Over a text; nothing where it is no JSON.
    pub fn new(text: &'a str) -> Option<Self> {
        Some(Self { text, document: Document::new(text.as_bytes())? })
    }

    /// Where the value at a pointer stands: its first byte, and the one after it.
    pub fn stands(&mut self, pointer: &str) -> Option<(usize, usize)> {
        self.document.span(pointer)
    }

    /// What a patch (RFC 6902) changes in the text: stretches in order that do not overlap. Nothing where the patch does
    /// not fit.
    pub fn edits(&self, patch: &[PatchOp]) -> Option<Vec<Edit>> {
        let (text, mut document) = (self.text, self.document.clone());
        patch::apply(&mut document, patch, &mut Touched::default(), 0).ok()?;
        let mut edits = Vec::new();
        let (mut at, mut new) = (0, Vec::new());
        for (span, bytes) in document.pieces() {
            // Old text that was taken over out of its order (the spacing of a neighbour) is new text where it stands now.
            match span.filter(|(start, end)| *start >= at && start < end) {
                Some((start, end)) => {
                    edits.extend(edit(text, (at, start), std::mem::take(&mut new))?);
                    at = end;
                }
                None => new.extend_from_slice(bytes),
            }
        }
        edits.extend(edit(text, (at, text.len()), new)?);
        Some(edits)
    }
}

/// The smallest change that does it; the outer `None` where it cannot be told as text, the inner where nothing changes.
fn edit(text: &str, (start, end): (usize, usize), new: Vec<u8>) -> Option<Option<Edit>> {
    let old = text.get(start..end)?;
    let new = String::from_utf8(new).ok()?;
    if old == new {
        return Some(None);
    }
    let same = |a: &mut dyn Iterator<Item = char>, b: &mut dyn Iterator<Item = char>| -> usize {
        a.zip(b).take_while(|(a, b)| a == b).map(|(a, _)| a.len_utf8()).sum()
    };
    let head = same(&mut old.chars(), &mut new.chars());
    let tail = same(&mut old.get(head..)?.chars().rev(), &mut new.get(head..)?.chars().rev());
    let text = new.get(head..new.len() - tail)?.to_owned();
    Some(Some(Edit { start: start + head, end: end - tail, text }))
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use serde_json::{Value, json};

    use super::*;

    /// From the last to the first, so that places stay true.
    fn applied(text: &str, edits: &[Edit]) -> String {
        let mut text = text.to_owned();
        for edit in edits.iter().rev() {
            text.replace_range(edit.start..edit.end, &edit.text);
        }
        text
    }

    fn op(op: &str, path: &str, value: Option<Value>) -> PatchOp {
        PatchOp { op: op.into(), path: path.into(), value }
    }

    const TEXT: &str =
        "\u{feff}{ \"näme\": \"crab\",\n  \"list\" : [1, 2.50,\n 3],\n  \"deep\": {\"a\": null}\n}\n";

    #[test]
    fn only_what_changes_is_told() {
        let edits = |text, patch: &[PatchOp]| Written::new(text)?.edits(patch);
        let told = |patch: &[PatchOp]| edits(TEXT, patch).unwrap();
        let one = told(&[op("replace", "/list/1", Some(json!(7)))]);
        let [edit] = one.as_slice() else { panic!("{one:?}") };
        assert_eq!((&TEXT[edit.start..edit.end], edit.text.as_str()), ("2.50", "7"));
        let two = told(&[op("replace", "/list/0", Some(json!(9))), PatchOp::set("/deep/a", json!("x"))]);
        assert_eq!(two.len(), 2);
        assert!(told(&[op("replace", "/list/1", Some(json!(2.5)))]).is_empty(), "an equal number");
        assert!(edits(TEXT, &[PatchOp::remove("/nothing")]).is_none());
        assert!(
            edits(TEXT, &[op("replace", "", Some(json!({})))]).is_none(),
            "another document is no change of this one"
        );
        assert!(edits("{", &[PatchOp::remove("/a")]).is_none());
    }

    /// RFC 6902 by another implementation (the crate json-patch) on the value, ours on the text.
    #[test]
    fn the_changed_text_is_the_patched_document() {
        for patch in [
            vec![op("add", "/new", Some(json!({"ö": [1, 2]})))],
            vec![op("remove", "/näme", None), op("add", "/list/0", Some(json!("first")))],
            vec![op("add", "/list/-", Some(json!(4))), op("add", "/list/-", Some(json!(5)))],
            vec![op("remove", "/list/2", None), op("remove", "/list/0", None), op("remove", "/list/0", None)],
            vec![op("replace", "/deep", Some(json!([]))), op("remove", "/list", None)],
            vec![op("remove", "/deep", None), op("add", "/deep", Some(json!({"a": 1})))],
        ] {
            let mut expected: Value = serde_json::from_str(TEXT.trim_start_matches('\u{feff}')).unwrap();
            let standard: json_patch::Patch = serde_json::from_value(json!(patch)).unwrap();
            json_patch::patch(&mut expected, &standard).unwrap();
            let mut written = Written::new(TEXT).unwrap();
            // Looks before change nothing of what is told.
            let plain = written.edits(&patch);
            for pointer in ["/list/1", "/deep/a", "/nothing"] {
                written.stands(pointer);
            }
            let edits = written.edits(&patch).unwrap_or_else(|| panic!("{patch:?}"));
            assert_eq!(Some(&edits), plain.as_ref());
            assert!(edits.windows(2).all(|pair| pair[0].end <= pair[1].start), "{edits:?}");
            let now = applied(TEXT, &edits);
            let value: Value = serde_json::from_str(now.trim_start_matches('\u{feff}')).unwrap();
            assert_eq!(value, expected, "{patch:?}: {now}");
        }
    }

    #[test]
    fn a_pointer_is_found_in_the_text() {
        let mut written = Written::new(TEXT).unwrap();
        let mut at = |pointer: &str| written.stands(pointer).map(|(start, end)| &TEXT[start..end]);
        // Twice: what was looked into is found again, and what lies around it.
        for _ in 0..2 {
            assert_eq!(at("/deep/a"), Some("null"));
            assert_eq!(at("/deep"), Some("{\"a\": null}"));
            assert_eq!(at("/list/2"), Some("3"));
            assert_eq!(at("/list"), Some("[1, 2.50,\n 3]"));
            assert_eq!(at("/näme"), Some("\"crab\""));
            assert_eq!(at("/deep/b"), None);
            assert_eq!(at(""), Some(TEXT.trim_start_matches('\u{feff}').trim_end()));
        }
        let mut empty = Written::new("{\"a\": [ ], \"b\":{ }}").unwrap();
        for _ in 0..2 {
            assert_eq!((empty.stands("/a/0"), empty.stands("/b/x")), (None, None));
            assert_eq!((empty.stands("/a"), empty.stands("/b")), (Some((6, 9)), Some((15, 18))));
        }
    }
}
