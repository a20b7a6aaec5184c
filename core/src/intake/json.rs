//! JSON under guard: depth, number of values and size are bounded while reading, duplicate members are noticed.

use std::cell::RefCell;
use std::fmt;

use serde::de::{DeserializeSeed, Deserializer, Error, MapAccess, SeqAccess, Visitor};
use serde_json::{Map, Number, Value};

use super::{Fault, FaultKind, Limits, Place};

/// A document with what was odd about it.
#[derive(Debug)]
pub(super) struct Document {
    pub(super) root: Value,
    /// Duplicate member names met (the last one won), with how many more there were beyond the first few.
    pub(super) duplicates: Vec<String>,
}

struct State {
    left: u64,
    over: bool,
    longest: u64,
    too_long: bool,
    duplicates: Vec<String>,
}

/// Reads a JSON document.
pub(super) fn read(file: &str, bytes: &[u8], limits: &Limits) -> Result<Document, Fault> {
    let fault =
        |kind, place, message: String| Fault { kind, file: file.to_owned(), place, message, rule: None };
    if bytes.len() as u64 > limits.json_bytes {
        let kind = FaultKind::Limit { limit: "json_bytes", max: limits.json_bytes, got: bytes.len() as u64 };
        return Err(fault(kind, Place::Whole, "the JSON is too large".into()));
    }
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    let state = RefCell::new(State {
        left: limits.elements,
        over: false,
        longest: limits.name_bytes,
        too_long: false,
        duplicates: Vec::new(),
    });
    let mut reader = serde_json::Deserializer::from_slice(bytes);
    let outcome =
        Guarded { state: &state }.deserialize(&mut reader).and_then(|root| reader.end().map(|()| root));
    let state = state.into_inner();
    match outcome {
        Ok(root) => Ok(Document { root, duplicates: state.duplicates }),
        Err(error) => {
            let place = Place::Byte(offset(bytes, error.line(), error.column()));
            if state.over {
                let kind =
                    FaultKind::Limit { limit: "elements", max: limits.elements, got: limits.elements + 1 };
                return Err(fault(kind, place, "the JSON holds too many values".into()));
            }
            if state.too_long {
                let max = limits.name_bytes;
                let kind = FaultKind::Limit { limit: "name_bytes", max, got: max + 1 };
                return Err(fault(kind, place, "a member name is too long".into()));
            }
            let text = error.to_string();
            let text = text.split(" at line ").next().unwrap_or_default();
            Err(fault(FaultKind::Malformed, place, format!("the JSON cannot be read: {text}")))
        }
    }
}

fn offset(bytes: &[u8], line: usize, column: usize) -> u64 {
    let mut start = 0;
    for _ in 1..line {
        match bytes[start..].iter().position(|b| *b == b'\n') {
            Some(at) => start += at + 1,
            None => break,
        }
    }
    ((start + column.saturating_sub(1)) as u64).min(bytes.len() as u64)
}

struct Guarded<'s> {
    state: &'s RefCell<State>,
}

impl Guarded<'_> {
    fn count<E: Error>(&self) -> Result<(), E> {
        let mut state = self.state.borrow_mut();
        if state.left == 0 {
            state.over = true;
            return Err(E::custom("too many values"));
        }
        state.left -= 1;
        Ok(())
    }
}

impl<'de> DeserializeSeed<'de> for Guarded<'_> {
    type Value = Value;
    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<Value, D::Error> {
        self.count()?;
        deserializer.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Guarded<'_> {
    type Value = Value;

    fn expecting(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str("a JSON value")
    }
    fn visit_unit<E>(self) -> Result<Value, E> {
        Ok(Value::Null)
    }
    fn visit_bool<E>(self, value: bool) -> Result<Value, E> {
        Ok(Value::Bool(value))
    }
    fn visit_u64<E>(self, value: u64) -> Result<Value, E> {
        Ok(value.into())
    }
    fn visit_i64<E>(self, value: i64) -> Result<Value, E> {
        Ok(value.into())
    }
    fn visit_f64<E>(self, value: f64) -> Result<Value, E> {
        Ok(Number::from_f64(value).map_or(Value::Null, Value::Number))
    }
    fn visit_str<E>(self, value: &str) -> Result<Value, E> {
        Ok(Value::String(value.to_owned()))
    }
    fn visit_string<E>(self, value: String) -> Result<Value, E> {
        Ok(Value::String(value))
    }
    fn visit_seq<A: SeqAccess<'de>>(self, mut access: A) -> Result<Value, A::Error> {
        let mut list = Vec::new();
        while let Some(value) = access.next_element_seed(Guarded { state: self.state })? {
            list.push(value);
        }
        Ok(Value::Array(list))
    }
    fn visit_map<A: MapAccess<'de>>(self, mut access: A) -> Result<Value, A::Error> {
        let mut map = Map::new();
        while let Some(key) = access.next_key::<String>()? {
            if key.len() as u64 > self.state.borrow().longest {
                self.state.borrow_mut().too_long = true;
                return Err(A::Error::custom("a member name is too long"));
            }
            let value = access.next_value_seed(Guarded { state: self.state })?;
            if map.contains_key(&key) {
                let mut state = self.state.borrow_mut();
                if state.duplicates.len() < 1_000 {
                    state.duplicates.push(key.clone());
                }
            }
            map.insert(key, value);
        }
        Ok(Value::Object(map))
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;

    #[test]
    fn a_fault_has_its_byte() {
        let error = read("a.json", b"{\n \"a\": 1,\n \"b\": x}", &Limits::default()).unwrap_err();
        assert_eq!(error.kind, FaultKind::Malformed);
        assert_eq!(error.place, Place::Byte(17));
    }

    #[test]
    fn depth_count_and_duplicates_are_bounded() {
        let deep = [b"[".repeat(100_000), b"]".repeat(100_000)].concat();
        assert_eq!(read("a", &deep, &Limits::default()).unwrap_err().kind, FaultKind::Malformed);
        let limits = Limits { elements: 10, ..Limits::default() };
        let many = format!("[{}0]", "0,".repeat(20));
        assert!(matches!(
            read("a", many.as_bytes(), &limits).unwrap_err().kind,
            FaultKind::Limit { limit: "elements", .. }
        ));
        assert_eq!(read("a", br#"{"a":1,"a":2}"#, &Limits::default()).unwrap().duplicates, ["a"]);
    }
}
