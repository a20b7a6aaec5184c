//! The parts of a glTF file, and putting them together again.

/// A GLB's chunks, or a JSON text alone.
#[derive(Debug)]
pub(super) struct Container<'a> {
    /// The JSON text, without the padding of a chunk.
    pub(super) json: &'a [u8],
    /// The binary chunk.
    pub(super) bin: Option<&'a [u8]>,
    /// Chunks that glTF does not define, headers included.
    rest: &'a [u8],
    /// It is a GLB.
    pub(super) binary: bool,
}

const BIN: &[u8; 4] = b"BIN\0";

impl<'a> Container<'a> {
    /// Splits what was read as a glTF before.
    pub(super) fn split(bytes: &'a [u8]) -> Option<Self> {
        if !bytes.starts_with(b"glTF") {
            return Some(Self { json: bytes, bin: None, rest: &[], binary: false });
        }
        let word = |at: usize| {
            bytes.get(at..at + 4).and_then(|b| b.try_into().ok()).map(|b| u32::from_le_bytes(b) as usize)
        };
        let whole = bytes.get(..word(8)?)?;
        let json_end = 20_usize.checked_add(word(12)?)?;
        let json = whole.get(20..json_end)?.trim_ascii_end();
        let mut rest = whole.get(json_end..)?;
        let mut bin = None;
        if rest.get(4..8) == Some(BIN) {
            let end = 8_usize.checked_add(word(json_end)?)?;
            bin = Some(rest.get(8..end)?);
            rest = rest.get(end..)?;
        }
        Some(Self { json, bin, rest, binary: true })
    }

    /// The file with other content.
    pub(super) fn join(&self, mut json: Vec<u8>, bin: Option<&[u8]>) -> Option<Vec<u8>> {
        if !self.binary {
            return Some(json);
        }
        json.resize(json.len().next_multiple_of(4), b' ');
        let padded = bin.map_or(0, |bin| 8 + bin.len().next_multiple_of(4));
        let total = 20 + json.len() + padded + self.rest.len();
        let mut out = Vec::with_capacity(total);
        out.extend_from_slice(b"glTF");
        out.extend_from_slice(&2_u32.to_le_bytes());
        out.extend_from_slice(&u32::try_from(total).ok()?.to_le_bytes());
        out.extend_from_slice(&u32::try_from(json.len()).ok()?.to_le_bytes());
        out.extend_from_slice(b"JSON");
        out.append(&mut json);
        if let Some(bin) = bin {
            let length = bin.len().next_multiple_of(4);
            out.extend_from_slice(&u32::try_from(length).ok()?.to_le_bytes());
            out.extend_from_slice(BIN);
            out.extend_from_slice(bin);
            out.resize(out.len() + length - bin.len(), 0);
        }
        out.extend_from_slice(self.rest);
        Some(out)
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;

    #[test]
    fn a_file_comes_back_with_its_unknown_chunks() {
        let mut glb = b"glTF\x02\0\0\0\x34\0\0\0\x04\0\0\0JSON{ } \x04\0\0\0BIN\0abcd".to_vec();
        glb.extend(b"\x08\0\0\0ODDS12345678");
        assert_eq!(glb.len(), 0x34);
        let it = Container::split(&glb).unwrap();
        assert_eq!((it.json, it.bin), (&b"{ }"[..], Some(&b"abcd"[..])));
        assert_eq!(it.join(b"{ }".to_vec(), it.bin).unwrap(), glb);
        let longer = it.join(b"{\"a\":1}".to_vec(), Some(b"abcde")).unwrap();
        let it = Container::split(&longer).unwrap();
        assert_eq!((it.json, it.bin), (&b"{\"a\":1}"[..], Some(&b"abcde\0\0\0"[..])));
    }
}
