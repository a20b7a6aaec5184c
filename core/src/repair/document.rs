//! A JSON document that keeps every byte it is not asked to change: key order, spacing, number text.
//!
//! Containers are opened only where an edit or a look goes through them; everything else stays a span of the original
//! text. JSON's grammar is white space between tokens, so a container is its items with the space around each.

use std::collections::BTreeMap;

use serde_json::Value;

/// A stretch of the original text.
#[derive(Debug, Clone, Copy)]
struct Span {
    start: usize,
    end: usize,
}

impl Span {
    const NONE: Self = Self { start: 0, end: 0 };
}

/// The original bytes, or new ones.
#[derive(Debug, Clone)]
enum Piece {
    Old(Span),
    New(String),
}

#[derive(Debug, Clone)]
enum Node {
    /// Not opened, or a scalar.
    Raw(Span),
    /// New JSON.
    Text(String),
    Array(Vec<Item>, Span),
    Object(Vec<Member>, Span),
}

#[derive(Debug, Clone)]
struct Item {
    before: Span,
    node: Node,
    after: Span,
}

#[derive(Debug, Clone)]
struct Member {
    before: Span,
    key: String,
    key_text: Piece,
    colon: [Span; 2],
    node: Node,
    after: Span,
}

/// A document under edit.
#[derive(Debug, Clone)]
pub(super) struct Document<'a> {
    text: &'a [u8],
    root: Node,
    lead: Span,
    tail: Span,
    /// The root's members by name: every look goes through them, and a file may have very many.
    names: Option<BTreeMap<String, usize>>,
    changed: bool,
    since: bool,
}

/// A place that is not there, or not of the kind that the edit needs.
pub(super) type Absent = String;

impl<'a> Document<'a> {
    /// Over a text that was read as JSON before; a byte-order mark and the space around the root are kept.
    pub(super) fn new(text: &'a [u8]) -> Option<Self> {
        let mark = if text.starts_with(b"\xef\xbb\xbf") { 3 } else { 0 };
        let start = space(text, mark);
        let end = skip(text, start)?;
        Some(Self {
            text,
            root: Node::Raw(Span { start, end }),
            lead: Span { start: 0, end: start },
            tail: Span { start: end, end: text.len() },
            names: None,
            changed: false,
            since: false,
        })
    }

    /// Whether anything was changed.
    pub(super) fn changed(&self) -> bool {
        self.changed
    }

    /// Begins to watch for changes.
    pub(super) fn begin(&mut self) {
        self.since = false;
    }

    /// Whether anything was changed since the watch began.
    pub(super) fn changed_since(&self) -> bool {
        self.since
    }

    fn note(&mut self) {
        self.changed = true;
        self.since = true;
    }

    /// The value at a pointer.
    pub(super) fn value(&mut self, pointer: &str) -> Option<Value> {
        let text = self.text;
        let node = self.find(&tokens(pointer)?)?;
        let mut out = Vec::new();
        write(text, node, &mut out);
        serde_json::from_slice(&out).ok()
    }

    /// Whether there is a value at a pointer.
    pub(super) fn has(&mut self, pointer: &str) -> bool {
        tokens(pointer).is_some_and(|tokens| self.find(&tokens).is_some())
    }

    /// The number of elements of the array at a pointer; `None` where there is no array.
    pub(super) fn length(&mut self, pointer: &str) -> Option<usize> {
        let text = self.text;
        let node = self.find(&tokens(pointer)?)?;
        open(text, node)?;
        match node {
            Node::Array(items, _) => Some(items.len()),
            _ => None,
        }
    }

    /// Replaces the value at a pointer, or adds the member there. Equal values and, within lists of one length, equal
    /// elements keep their text.
    pub(super) fn set(&mut self, pointer: &str, value: &Value) -> Result<(), Absent> {
        let absent = || format!("there is nothing at {pointer}");
        let path = tokens(pointer).ok_or_else(absent)?;
        let text = self.text;
        let mut changed = false;
        if let Some(node) = self.find(&path) {
            replace(text, node, value, &mut changed);
        } else {
            let (last, above) = path.split_last().ok_or_else(absent)?;
            let parent = self.find(above).ok_or_else(absent)?;
            open(text, parent).ok_or_else(absent)?;
            let Node::Object(members, empty) = parent else { return Err(absent()) };
            let style = members.last().map_or((Span::NONE, [Span::NONE; 2], Span::NONE), |last| {
                (last.before, last.colon, last.after)
            });
            let between = members.first().filter(|_| members.len() > 1).map_or(Span::NONE, |m| m.after);
            if let Some(last) = members.last_mut() {
                last.after = between;
            }
            *empty = Span::NONE;
            members.push(Member {
                before: style.0,
                key: last.clone(),
                key_text: Piece::New(Value::String(last.clone()).to_string()),
                colon: style.1,
                node: Node::Text(value.to_string()),
                after: style.2,
            });
            changed = true;
            self.names = None;
        }
        if changed {
            self.note();
        }
        Ok(())
    }

    /// Puts an element before the `index`-th of an array, or after the last.
    pub(super) fn insert(&mut self, array: &str, index: usize, value: &Value) -> Result<(), Absent> {
        let absent = || format!("there is no list at {array}");
        let text = self.text;
        let node = tokens(array).and_then(|path| self.find(&path)).ok_or_else(absent)?;
        open(text, node).ok_or_else(absent)?;
        let Node::Array(items, empty) = node else { return Err(absent()) };
        if index > items.len() {
            return Err(format!("{array} has {} elements, not {index}", items.len()));
        }
        let between = items.first().filter(|_| items.len() > 1).map_or(Span::NONE, |item| item.after);
        let (before, after) = if let Some(next) = items.get(index) {
            (next.before, between)
        } else if let Some(last) = items.last_mut() {
            (last.before, std::mem::replace(&mut last.after, between))
        } else {
            (Span::NONE, Span::NONE)
        };
        *empty = Span::NONE;
        items.insert(index, Item { before, node: Node::Text(value.to_string()), after });
        self.note();
        Ok(())
    }

    /// Adds an element to the end of an array; answers its index.
    pub(super) fn push(&mut self, array: &str, value: &Value) -> Result<usize, Absent> {
        let index = self.length(array).ok_or_else(|| format!("there is no list at {array}"))?;
        self.insert(array, index, value).map(|()| index)
    }

    /// Takes a member or an element out.
    pub(super) fn remove(&mut self, pointer: &str) -> Result<(), Absent> {
        let absent = || format!("there is nothing at {pointer}");
        let path = tokens(pointer).ok_or_else(absent)?;
        let text = self.text;
        let (last, above) = path.split_last().ok_or_else(absent)?;
        let parent = self.find(above).ok_or_else(absent)?;
        open(text, parent).ok_or_else(absent)?;
        match parent {
            Node::Object(members, _) => {
                let at = members.iter().rposition(|member| member.key == *last).ok_or_else(absent)?;
                let gone = members.remove(at);
                if at == members.len()
                    && let Some(last) = members.last_mut()
                {
                    last.after = gone.after;
                }
            }
            Node::Array(items, _) => {
                let at = index(last).filter(|at| *at < items.len()).ok_or_else(absent)?;
                let gone = items.remove(at);
                if at == items.len()
                    && let Some(last) = items.last_mut()
                {
                    last.after = gone.after;
                }
            }
            _ => return Err(absent()),
        }
        if above.is_empty() {
            self.names = None;
        }
        self.note();
        Ok(())
    }

    /// The text as it is now.
    pub(super) fn render(&self) -> Vec<u8> {
        let mut out = Vec::with_capacity(self.text.len() + 256);
        push(self.text, self.lead, &mut out);
        write(self.text, &self.root, &mut out);
        push(self.text, self.tail, &mut out);
        out
    }

    /// The text as it is now in pieces: those of the original with their place in it, and new ones.
    pub(super) fn pieces(&self) -> Vec<Told<'_>> {
        let mut out: Vec<Told<'_>> = Vec::new();
        out.keep(self.text, self.lead);
        write(self.text, &self.root, &mut out);
        out.keep(self.text, self.tail);
        out
    }

    /// Where the value at a pointer stands in the original text; for a document that nothing was changed in.
    pub(super) fn span(&mut self, pointer: &str) -> Option<(usize, usize)> {
        // Of a container that was opened, the space inside its brackets is known.
        let (first, last) = match self.find(&tokens(pointer)?)? {
            Node::Raw(span) => return Some((span.start, span.end)),
            Node::Text(_) => return None,
            Node::Array(items, empty) => (
                items.first().map_or(*empty, |item| item.before),
                items.last().map_or(*empty, |item| item.after),
            ),
            Node::Object(members, empty) => (
                members.first().map_or(*empty, |member| member.before),
                members.last().map_or(*empty, |member| member.after),
            ),
        };
        Some((first.start.checked_sub(1)?, last.end + 1))
    }

    fn find(&mut self, path: &[String]) -> Option<&mut Node> {
        let text = self.text;
        let mut at = &mut self.root;
        for (depth, token) in path.iter().enumerate() {
            open(text, at)?;
            at = match at {
                // The last of two members of one name is the one that readers take.
                Node::Object(members, _) => {
                    let found = if depth == 0 {
                        let names = self.names.get_or_insert_with(|| {
                            members.iter().enumerate().map(|(at, member)| (member.key.clone(), at)).collect()
                        });
                        names.get(token).copied()
                    } else {
                        members.iter().rposition(|member| member.key == *token)
                    };
                    &mut members.get_mut(found?)?.node
                }
                Node::Array(items, _) => &mut items.get_mut(index(token)?)?.node,
                _ => return None,
            };
        }
        Some(at)
    }
}

/// The reference tokens of an RFC 6901 pointer.
pub(super) fn tokens(pointer: &str) -> Option<Vec<String>> {
    if pointer.is_empty() {
        return Some(Vec::new());
    }
    let rest = pointer.strip_prefix('/')?;
    Some(rest.split('/').map(|token| token.replace("~1", "/").replace("~0", "~")).collect())
}

/// An array index as RFC 6901 §4 writes it.
pub(super) fn index(token: &str) -> Option<usize> {
    let plain = token == "0" || (!token.starts_with('0') && token.bytes().all(|b| b.is_ascii_digit()));
    plain.then(|| token.parse().ok()).flatten()
}

/// Equal values, however their numbers are written.
pub(super) fn same(a: &Value, b: &Value) -> bool {
    match (a, b) {
        (Value::Number(x), Value::Number(y)) => x == y || x.as_f64() == y.as_f64(),
        (Value::Array(x), Value::Array(y)) => x.len() == y.len() && x.iter().zip(y).all(|(a, b)| same(a, b)),
        (Value::Object(x), Value::Object(y)) => {
            x.len() == y.len() && x.iter().all(|(key, a)| y.get(key).is_some_and(|b| same(a, b)))
        }
        _ => a == b,
    }
}

fn replace(text: &[u8], node: &mut Node, value: &Value, changed: &mut bool) {
    let mut old = Vec::new();
    write(text, node, &mut old);
    let parsed = serde_json::from_slice::<Value>(&old).ok();
    if parsed.as_ref().is_some_and(|old| same(old, value)) {
        return;
    }
    if let (Some(Value::Array(old)), Value::Array(new)) = (&parsed, value)
        && old.len() == new.len()
        && open(text, node).is_some()
        && let Node::Array(items, _) = node
    {
        for (item, value) in items.iter_mut().zip(new) {
            replace(text, &mut item.node, value, changed);
        }
        return;
    }
    *node = Node::Text(value.to_string());
    *changed = true;
}

fn push(text: &[u8], span: Span, out: &mut Vec<u8>) {
    out.extend_from_slice(text.get(span.start..span.end).unwrap_or_default());
}

/// What a document is written into.
trait Out<'a> {
    /// A stretch of the original text.
    fn keep(&mut self, text: &'a [u8], span: Span);
    /// Other text.
    fn put(&mut self, bytes: &'a [u8]);
}

impl<'a> Out<'a> for Vec<u8> {
    fn keep(&mut self, text: &'a [u8], span: Span) {
        push(text, span, self);
    }
    fn put(&mut self, bytes: &'a [u8]) {
        self.extend_from_slice(bytes);
    }
}

/// A piece of a text: where it stood in the original, if it did, and its bytes.
pub(super) type Told<'a> = (Option<(usize, usize)>, &'a [u8]);

impl<'a> Out<'a> for Vec<Told<'a>> {
    fn keep(&mut self, text: &'a [u8], span: Span) {
        let bytes = text.get(span.start..span.end).unwrap_or_default();
        self.push((Some((span.start, span.end)), bytes));
    }
    fn put(&mut self, bytes: &'a [u8]) {
        self.push((None, bytes));
    }
}

fn write<'a>(text: &'a [u8], node: &'a Node, out: &mut impl Out<'a>) {
    match node {
        Node::Raw(span) => out.keep(text, *span),
        Node::Text(new) => out.put(new.as_bytes()),
        Node::Array(items, empty) => {
            out.put(b"[");
            for (at, item) in items.iter().enumerate() {
                if at > 0 {
                    out.put(b",");
                }
                out.keep(text, item.before);
                write(text, &item.node, out);
                out.keep(text, item.after);
            }
            if items.is_empty() {
                out.keep(text, *empty);
            }
            out.put(b"]");
        }
        Node::Object(members, empty) => {
            out.put(b"{");
            for (at, member) in members.iter().enumerate() {
                if at > 0 {
                    out.put(b",");
                }
                out.keep(text, member.before);
                match &member.key_text {
                    Piece::Old(span) => out.keep(text, *span),
                    Piece::New(key) => out.put(key.as_bytes()),
                }
                out.keep(text, member.colon[0]);
                out.put(b":");
                out.keep(text, member.colon[1]);
                write(text, &member.node, out);
                out.keep(text, member.after);
            }
            if members.is_empty() {
                out.keep(text, *empty);
            }
            out.put(b"}");
        }
    }
}

/// Opens a container one level; scalars stay.
fn open(text: &[u8], node: &mut Node) -> Option<()> {
    // New text that is looked into again has no span of its own to point to.
    if let Node::Text(new) = node {
        let value: Value = serde_json::from_str(new).ok()?;
        *node = match value {
            Value::Array(list) => Node::Array(
                list.iter()
                    .map(|v| Item { before: Span::NONE, node: Node::Text(v.to_string()), after: Span::NONE })
                    .collect(),
                Span::NONE,
            ),
            Value::Object(map) => Node::Object(
                map.iter()
                    .map(|(key, v)| Member {
                        before: Span::NONE,
                        key: key.clone(),
                        key_text: Piece::New(Value::String(key.clone()).to_string()),
                        colon: [Span::NONE; 2],
                        node: Node::Text(v.to_string()),
                        after: Span::NONE,
                    })
                    .collect(),
                Span::NONE,
            ),
            _ => return Some(()),
        };
        return Some(());
    }
    let Node::Raw(span) = node else { return Some(()) };
    let at = span.start;
    match text.get(at)? {
        b'[' => *node = array(text, at + 1)?,
        b'{' => *node = object(text, at + 1)?,
        _ => {}
    }
    Some(())
}

fn array(text: &[u8], mut at: usize) -> Option<Node> {
    let mut items = Vec::new();
    let first = space(text, at);
    if text.get(first) == Some(&b']') {
        return Some(Node::Array(items, Span { start: at, end: first }));
    }
    loop {
        let start = space(text, at);
        let end = skip(text, start)?;
        let next = space(text, end);
        items.push(Item {
            before: Span { start: at, end: start },
            node: Node::Raw(Span { start, end }),
            after: Span { start: end, end: next },
        });
        match text.get(next)? {
            b',' => at = next + 1,
            b']' => return Some(Node::Array(items, Span::NONE)),
            _ => return None,
        }
    }
}

fn object(text: &[u8], mut at: usize) -> Option<Node> {
    let mut members = Vec::new();
    let first = space(text, at);
    if text.get(first) == Some(&b'}') {
        return Some(Node::Object(members, Span { start: at, end: first }));
    }
    loop {
        let key_start = space(text, at);
        let key_end = skip(text, key_start)?;
        let colon = space(text, key_end);
        if text.get(colon) != Some(&b':') {
            return None;
        }
        let start = space(text, colon + 1);
        let end = skip(text, start)?;
        let next = space(text, end);
        members.push(Member {
            before: Span { start: at, end: key_start },
            key: serde_json::from_slice(text.get(key_start..key_end)?).ok()?,
            key_text: Piece::Old(Span { start: key_start, end: key_end }),
            colon: [Span { start: key_end, end: colon }, Span { start: colon + 1, end: start }],
            node: Node::Raw(Span { start, end }),
            after: Span { start: end, end: next },
        });
        match text.get(next)? {
            b',' => at = next + 1,
            b'}' => return Some(Node::Object(members, Span::NONE)),
            _ => return None,
        }
    }
}

/// The first byte that is no white space.
fn space(text: &[u8], mut at: usize) -> usize {
    while matches!(text.get(at), Some(b' ' | b'\t' | b'\n' | b'\r')) {
        at += 1;
    }
    at
}

/// The end of the value that begins at `at`.
fn skip(text: &[u8], mut at: usize) -> Option<usize> {
    let mut depth = 0_usize;
    loop {
        match text.get(at)? {
            b'"' => {
                at += 1;
                loop {
                    match text.get(at)? {
                        b'"' => break,
                        b'\\' => at += 2,
                        _ => at += 1,
                    }
                }
                at += 1;
            }
            b'[' | b'{' => {
                depth += 1;
                at += 1;
            }
            b']' | b'}' => {
                depth = depth.checked_sub(1)?;
                at += 1;
            }
            b',' | b':' | b' ' | b'\t' | b'\n' | b'\r' if depth > 0 => at += 1,
            b',' | b':' | b' ' | b'\t' | b'\n' | b'\r' => return None,
            _ => {
                while text.get(at).is_some_and(|b| !b" \t\n\r,:[]{}\"".contains(b)) {
                    at += 1;
                }
            }
        }
        if depth == 0 {
            return Some(at);
        }
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;
    use serde_json::json;

    const ODD: &str =
        "\u{feff} {\n\t\"b\" : [ 1.50 ,2e3, {\"x\\u0079\":null } ] ,\"a\":{ },\r\n \"é\\\"\":-0.0}\n ";

    fn text(document: &Document<'_>) -> String {
        String::from_utf8(document.render()).unwrap()
    }

    #[test]
    fn what_is_not_touched_keeps_every_byte() {
        let mut document = Document::new(ODD.as_bytes()).unwrap();
        assert_eq!(document.value("/b/2/xy"), Some(Value::Null));
        assert_eq!(document.length("/b"), Some(3));
        assert_eq!(text(&document), ODD);
        document.set("/b/1", &json!(2000)).unwrap();
        assert!(!document.changed(), "an equal number keeps its text");
        document.set("/b", &json!([1.5, 7, {"xy": null}])).unwrap();
        assert_eq!(text(&document), ODD.replace("2e3", "7"));
    }

    #[test]
    fn members_and_elements_come_and_go_in_the_style_of_their_neighbours() {
        let source = "{\n  \"list\": [\n    1,\n    2\n  ],\n  \"k\": true\n}";
        let mut document = Document::new(source.as_bytes()).unwrap();
        assert_eq!(document.push("/list", &json!(3)), Ok(2));
        document.set("/new", &json!({"a": [1]})).unwrap();
        assert_eq!(
            text(&document),
            "{\n  \"list\": [\n    1,\n    2,\n    3\n  ],\n  \"k\": true,\n  \"new\": {\"a\":[1]}\n}"
        );
        document.set("/new/a/0", &json!(2)).unwrap();
        document.remove("/list/2").unwrap();
        document.remove("/new").unwrap();
        assert_eq!(text(&document), source);
        document.remove("/list/0").unwrap();
        document.remove("/list/0").unwrap();
        document.insert("/list", 0, &json!("x")).unwrap();
        assert_eq!(text(&document), "{\n  \"list\": [\"x\"],\n  \"k\": true\n}");
    }

    #[test]
    fn what_is_not_there_is_an_error_and_changes_nothing() {
        let mut document = Document::new(b"{\"a\":[1]}").unwrap();
        for pointer in ["/a/1", "/b/c", "/a/01", "/a/-"] {
            assert!(document.remove(pointer).is_err(), "{pointer}");
        }
        assert!(document.set("/a/x", &json!(1)).is_err());
        assert!(document.insert("/a", 2, &json!(1)).is_err());
        assert_eq!(text(&document), "{\"a\":[1]}");
    }
}
