//! The GLB container (glTF 2.0 §4.4).

use super::{Fault, FaultKind, Place};

/// The first four bytes of every GLB.
pub(super) const MAGIC: &[u8; 4] = b"glTF";
const JSON: u32 = 0x4E4F_534A;
const BIN: u32 = 0x004E_4942;

/// The two chunks that glTF defines.
#[derive(Debug)]
pub(super) struct Container<'a> {
    pub(super) json: &'a [u8],
    pub(super) json_offset: u64,
    pub(super) bin: Option<&'a [u8]>,
}

/// Splits a container; nothing is copied.
pub(super) fn split<'a>(file: &str, bytes: &'a [u8]) -> Result<Container<'a>, Fault> {
    let fault = |at: usize, message: String, rule| Fault {
        kind: FaultKind::Malformed,
        file: file.to_owned(),
        place: Place::Byte(at as u64),
        message,
        rule: Some(rule),
    };
    let word = |at: usize| -> Option<u32> {
        bytes.get(at..at.checked_add(4)?).and_then(|b| b.try_into().ok()).map(u32::from_le_bytes)
    };
    let (Some(version), Some(length)) = (word(4), word(8)) else {
        return Err(fault(bytes.len(), "the container ends inside its header".into(), "glTF 2.0 §4.4.2"));
    };
    if version != 2 {
        return Err(fault(4, format!("container version {version} is not 2"), "glTF 2.0 §4.4.2"));
    }
    let length = length as usize;
    if length > bytes.len() || length < 12 {
        let text = format!("the header says {length} bytes, the file has {}", bytes.len());
        return Err(fault(8, text, "glTF 2.0 §4.4.2"));
    }
    let mut at = 12;
    let mut json = None;
    let mut bin = None;
    let mut index = 0;
    while at < length {
        let (Some(size), Some(kind)) = (word(at), word(at + 4)) else {
            // Up to seven stray bytes cannot be a chunk.
            return Err(fault(at, "the container ends inside a chunk header".into(), "glTF 2.0 §4.4.3.1"));
        };
        let start = at + 8;
        let end = start.checked_add(size as usize).filter(|end| *end <= length).ok_or_else(|| {
            fault(at, format!("a chunk of {size} bytes reaches past the container"), "glTF 2.0 §4.4.3.1")
        })?;
        match (index, kind) {
            (0, JSON) => json = Some((&bytes[start..end], start as u64)),
            (0, _) => return Err(fault(at, "the first chunk is not JSON".into(), "glTF 2.0 §4.4.3")),
            (1, BIN) => bin = Some(&bytes[start..end]),
            _ => {}
        }
        index += 1;
        at = end;
    }
    let Some((json, json_offset)) = json else {
        return Err(fault(12, "the container has no JSON chunk".into(), "glTF 2.0 §4.4.3"));
    };
    Ok(Container { json, json_offset, bin })
}
