//! RFC 6902 over a document that keeps its text.

use super::document::{Document, index, same};
use super::touched::{Clash, Touched};
use crate::finding::PatchOp;

/// Why a patch was not applied.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Refusal {
    /// Another fix has changed what it wants to change.
    Clash(Clash),
    /// It does not fit the document.
    Misfit(String),
}

/// Applies a patch whole or not at all, and notes what it touched as the work of fix `by`.
pub(super) fn apply(
    document: &mut Document<'_>,
    patch: &[PatchOp],
    touched: &mut Touched,
    by: usize,
) -> Result<(), Refusal> {
    // One operation of a patch may build on an earlier one, so only the touches of other fixes count.
    for op in patch {
        if op.op != "test"
            && !appends(op)
            && let Some(clash) = touched.clash(&op.path, op.value.as_ref())
        {
            return Err(Refusal::Clash(clash));
        }
    }
    // Setting what is there cannot fail half-way, so only other patches need the way back.
    let sure = patch.len() == 1
        || patch.iter().all(|op| {
            let array = op.path.rsplit_once('/').and_then(|(parent, _)| document.length(parent));
            ["add", "replace"].contains(&op.op.as_str())
                && op.value.is_some()
                && array.is_none()
                && document.has(&op.path)
        });
    let before = if sure { None } else { Some(document.clone()) };
    let mut notes = Vec::with_capacity(patch.len());
    for op in patch {
        // What another fix has put at the end of the same list is there already.
        if appends(op) && touched.has_appended(&op.path, op.value.as_ref()) {
            notes.push(None);
            continue;
        }
        match one(document, op) {
            Ok(shift) => notes.push(shift),
            Err(reason) => {
                if let Some(before) = before {
                    *document = before;
                }
                return Err(Refusal::Misfit(format!("{} {}: {reason}", op.op, op.path)));
            }
        }
    }
    for (op, shift) in patch.iter().zip(notes) {
        if appends(op) {
            touched.append(&op.path, op.value.as_ref());
            continue;
        }
        if op.op == "test" {
            continue;
        }
        match shift {
            Some((array, from)) => touched.shift(&array, from, by),
            None => touched.add(&op.path, op.value.as_ref(), by),
        }
    }
    Ok(())
}

fn appends(op: &PatchOp) -> bool {
    op.op == "add" && op.path.ends_with("/-")
}

/// One operation; answers the array whose elements it moved, and from where.
fn one(document: &mut Document<'_>, op: &PatchOp) -> Result<Option<(String, usize)>, String> {
    let value = || op.value.as_ref().ok_or_else(|| "the operation has no value".to_owned());
    let (parent, last) = op.path.rsplit_once('/').ok_or("the path is no pointer below the root")?;
    let length = document.length(parent);
    match op.op.as_str() {
        "test" => {
            let there = document.value(&op.path).ok_or("there is nothing")?;
            if same(&there, value()?) { Ok(None) } else { Err("the value is another".into()) }
        }
        "add" => match length {
            Some(_) if last == "-" => document.push(parent, value()?).map(|_| None),
            Some(_) => {
                let at = index(last).ok_or("is no index")?;
                document.insert(parent, at, value()?).map(|()| Some((parent.to_owned(), at)))
            }
            None => document.set(&op.path, value()?).map(|()| None),
        },
        "replace" => {
            if !document.has(&op.path) {
                return Err("there is nothing".into());
            }
            document.set(&op.path, value()?).map(|()| None)
        }
        "remove" => {
            document.remove(&op.path)?;
            Ok(length.and_then(|_| index(last)).map(|at| (parent.to_owned(), at)))
        }
        other => Err(format!("{other} is no operation of a fix")),
    }
}

/// Where a patch moves array elements: the highest such index. Patches that do are applied last, from the back.
pub(super) fn moves(document: &mut Document<'_>, patch: &[PatchOp]) -> Option<usize> {
    patch
        .iter()
        .filter(|op| op.op == "remove" || op.op == "add")
        .filter_map(|op| {
            let (parent, last) = op.path.rsplit_once('/')?;
            document.length(parent).and_then(|_| index(last))
        })
        .max()
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;
    use serde_json::{Value, json};

    /// The examples of RFC 6902 appendix A that use the operations of fixes (A.1 to A.5, A.8, A.9, A.14, A.16).
    #[test]
    fn the_examples_of_the_rfc_come_out() {
        let cases = [
            (
                json!({"foo": "bar"}),
                json!([{"op": "add", "path": "/baz", "value": "qux"}]),
                Some(json!({"baz": "qux", "foo": "bar"})),
            ),
            (
                json!({"foo": ["bar", "baz"]}),
                json!([{"op": "add", "path": "/foo/1", "value": "qux"}]),
                Some(json!({"foo": ["bar", "qux", "baz"]})),
            ),
            (
                json!({"baz": "qux", "foo": "bar"}),
                json!([{"op": "remove", "path": "/baz"}]),
                Some(json!({"foo": "bar"})),
            ),
            (
                json!({"foo": ["bar", "qux", "baz"]}),
                json!([{"op": "remove", "path": "/foo/1"}]),
                Some(json!({"foo": ["bar", "baz"]})),
            ),
            (
                json!({"baz": "qux", "foo": "bar"}),
                json!([{"op": "replace", "path": "/baz", "value": "boo"}]),
                Some(json!({"baz": "boo", "foo": "bar"})),
            ),
            (
                json!({"baz": "qux", "foo": ["a", 2, "c"]}),
                json!([{"op": "test", "path": "/baz", "value": "qux"}, {"op": "test", "path": "/foo/1", "value": 2}]),
                Some(json!({"baz": "qux", "foo": ["a", 2, "c"]})),
            ),
            (json!({"baz": "qux"}), json!([{"op": "test", "path": "/baz", "value": "bar"}]), None),
            (
                json!({"/": 9, "~1": 10}),
                json!([{"op": "test", "path": "/~01", "value": 10}]),
                Some(json!({"/": 9, "~1": 10})),
            ),
            (
                json!({"foo": ["bar"]}),
                json!([{"op": "add", "path": "/foo/-", "value": ["abc", "def"]}]),
                Some(json!({"foo": ["bar", ["abc", "def"]]})),
            ),
            (json!({"foo": "bar"}), json!([{"op": "add", "path": "/baz/bat", "value": "qux"}]), None),
        ];
        for (source, patch, expected) in cases {
            let text = source.to_string();
            let mut document = Document::new(text.as_bytes()).unwrap();
            let patch: Vec<PatchOp> = serde_json::from_value(patch).unwrap();
            let outcome = apply(&mut document, &patch, &mut Touched::default(), 0);
            let after: Value = serde_json::from_slice(&document.render()).unwrap();
            assert_eq!(outcome.is_ok(), expected.is_some(), "{source} {outcome:?}");
            assert_eq!(after, expected.unwrap_or(source));
        }
    }

    #[test]
    fn a_patch_that_fails_half_way_leaves_every_byte() {
        let text = b"{ \"a\": 1.0, \"b\": [1, 2] }";
        let mut document = Document::new(text).unwrap();
        let patch = [PatchOp::set("/a", json!(2)), PatchOp::remove("/b/7")];
        assert!(matches!(apply(&mut document, &patch, &mut Touched::default(), 0), Err(Refusal::Misfit(_))));
        assert_eq!(document.render(), text);
    }
}
