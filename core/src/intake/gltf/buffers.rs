//! Buffers and buffer views. URIs resolve among the uploaded files or inside the document; nothing is opened.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use percent_encoding::percent_decode_str;
use serde_json::Value;

use super::compressed::{self, Meshopt};
use super::doc::Doc;
use crate::intake::{Fault, Limits, Upload};

enum Data<'a> {
    Borrowed(&'a [u8]),
    Owned(Vec<u8>),
    /// Why there are no bytes.
    Missing(String),
}

struct View {
    buffer: usize,
    offset: usize,
    length: usize,
    stride: Option<usize>,
    meshopt: Option<Meshopt>,
    decoded: Option<Vec<u8>>,
}

/// All bytes that accessors can point into.
pub(super) struct Buffers<'a> {
    doc: Doc<'a>,
    data: Vec<Data<'a>>,
    views: Vec<View>,
    decoded_left: u64,
    most: u64,
}

impl<'a> Buffers<'a> {
    pub(super) fn new(
        doc: &Doc<'a>,
        bin: Option<&'a [u8]>,
        files: &'a [Upload<'a>],
        limits: &Limits,
    ) -> Result<Self, Fault> {
        let mut data = Vec::new();
        for (index, buffer) in doc.list("buffers")?.iter().enumerate() {
            data.push(source(doc, buffer, index, bin, files)?);
        }
        let mut buffers = Self {
            doc: *doc,
            data,
            views: Vec::new(),
            decoded_left: limits.decoded_bytes,
            most: limits.decoded_bytes,
        };
        for (index, value) in doc.list("bufferViews")?.iter().enumerate() {
            let view = buffers.view(value, &format!("/bufferViews/{index}"))?;
            buffers.views.push(view);
        }
        Ok(buffers)
    }

    fn view(&self, value: &Value, pointer: &str) -> Result<View, Fault> {
        let doc = &self.doc;
        let (buffer, offset, length) = self.range(value, pointer)?;
        let stride = doc.whole(value, "byteStride", pointer)?;
        if let Some(stride) = stride
            && !(1..=256).contains(&stride)
        {
            let text = format!("a stride of {stride} bytes is outside 4 to 252");
            return Err(doc.invalid(format!("{pointer}/byteStride"), text, "glTF 2.0 §3.6.2.4"));
        }
        let extension = value.get("extensions").and_then(|e| e.get("EXT_meshopt_compression"));
        let meshopt = match extension {
            None => None,
            Some(extension) => {
                let here = format!("{pointer}/extensions/EXT_meshopt_compression");
                let (buffer, offset, length) = self.range(extension, &here)?;
                Some(Meshopt::read(doc, extension, &here, buffer, offset, length)?)
            }
        };
        Ok(View { buffer, offset, length, stride: stride.map(|s| s as usize), meshopt, decoded: None })
    }

    /// Buffer, offset and length of a view, inside the bytes that are there.
    fn range(&self, value: &Value, pointer: &str) -> Result<(usize, usize, usize), Fault> {
        let doc = &self.doc;
        let Some(buffer) = doc.index(value, "buffer", pointer, self.data.len(), "buffer")? else {
            return Err(doc.invalid(pointer, "a buffer view names its buffer", "glTF 2.0 §3.6.1"));
        };
        let offset = doc.whole(value, "byteOffset", pointer)?.unwrap_or(0);
        let Some(length) = doc.whole(value, "byteLength", pointer)? else {
            return Err(doc.invalid(pointer, "a buffer view gives its length", "glTF 2.0 §3.6.1"));
        };
        let there = match &self.data[buffer] {
            Data::Borrowed(bytes) => Some(bytes.len() as u64),
            Data::Owned(bytes) => Some(bytes.len() as u64),
            Data::Missing(_) => None,
        };
        let end = offset.checked_add(length).filter(|end| there.is_none_or(|there| *end <= there));
        if end.is_none() || usize::try_from(offset.saturating_add(length)).is_err() {
            let size = there.unwrap_or(0);
            let text =
                format!("{length} bytes from byte {offset} reach past buffer {buffer} of {size} bytes");
            return Err(doc.invalid(pointer, text, "glTF 2.0 §3.6.2.4"));
        }
        Ok((buffer, offset as usize, length as usize))
    }

    pub(super) fn views(&self) -> usize {
        self.views.len()
    }

    /// The length of a view's (decoded) content.
    pub(super) fn length(&self, view: usize) -> usize {
        let view = &self.views[view];
        view.meshopt.as_ref().map_or(view.length, Meshopt::decoded_length)
    }

    pub(super) fn stride(&self, view: usize) -> Option<usize> {
        self.views[view].stride
    }

    /// Takes from the budget of decoded bytes.
    pub(super) fn spend(&mut self, bytes: u64, pointer: &str) -> Result<(), Fault> {
        match self.decoded_left.checked_sub(bytes) {
            Some(left) => {
                self.decoded_left = left;
                Ok(())
            }
            None => Err(self.doc.limit(pointer, "decoded_bytes", self.most, self.most.saturating_add(1))),
        }
    }

    /// Decodes a compressed view, once.
    pub(super) fn prepare(&mut self, view: usize) -> Result<(), Fault> {
        let this = &self.views[view];
        let Some(meshopt) = &this.meshopt else { return Ok(()) };
        if this.decoded.is_some() {
            return Ok(());
        }
        let pointer = format!("/bufferViews/{view}/extensions/EXT_meshopt_compression");
        let Some(bytes) = self.raw(meshopt.buffer) else { return Ok(()) };
        let encoded = &bytes[meshopt.offset..meshopt.offset + meshopt.length];
        // A byte of input can stand for at most a few hundred bytes of output; more is a lie about the count.
        let length = meshopt.decoded_length() as u64;
        if length > (encoded.len() as u64).saturating_mul(1024).max(4096) {
            let text = format!("{} bytes cannot hold {length} decoded bytes", encoded.len());
            return Err(self.doc.invalid(pointer, text, "EXT_meshopt_compression"));
        }
        let decoded = compressed::decode_meshopt(meshopt, encoded)
            .map_err(|text| self.doc.invalid(pointer.clone(), text, "EXT_meshopt_compression"))?;
        self.spend(length, &pointer)?;
        self.views[view].decoded = Some(decoded);
        Ok(())
    }

    fn raw(&self, buffer: usize) -> Option<&[u8]> {
        match &self.data[buffer] {
            Data::Borrowed(bytes) => Some(bytes),
            Data::Owned(bytes) => Some(bytes),
            Data::Missing(_) => None,
        }
    }

    /// The content of a prepared view; `Err` says why there is none.
    pub(super) fn bytes(&self, view: usize) -> Result<&[u8], String> {
        let this = &self.views[view];
        if let Some(decoded) = &this.decoded {
            return Ok(decoded);
        }
        let buffer = this.meshopt.as_ref().map_or(this.buffer, |m| m.buffer);
        match (&self.data[buffer], &this.meshopt) {
            (Data::Missing(reason), _) => Err(reason.clone()),
            (_, Some(_)) => Err("the compressed view was not decoded".into()),
            _ => {
                let raw = self.raw(buffer).unwrap_or_default();
                Ok(&raw[this.offset..this.offset + this.length])
            }
        }
    }
}

fn source<'a>(
    doc: &Doc<'_>,
    buffer: &'a Value,
    index: usize,
    bin: Option<&'a [u8]>,
    files: &'a [Upload<'a>],
) -> Result<Data<'a>, Fault> {
    let pointer = format!("/buffers/{index}");
    doc.whole(buffer, "byteLength", &pointer)?;
    let uri = match buffer.get("uri") {
        None => {
            return Ok(match bin {
                Some(bin) if index == 0 => Data::Borrowed(bin),
                _ => Data::Missing(format!("buffer {index} has no data")),
            });
        }
        Some(Value::String(uri)) => uri,
        Some(_) => return Err(doc.invalid(format!("{pointer}/uri"), "must be text", "glTF 2.0 §3.6.1")),
    };
    if let Some(rest) = uri.strip_prefix("data:") {
        let Some((head, body)) = rest.split_once(',') else {
            return Err(doc.invalid(format!("{pointer}/uri"), "the data URI has no comma", "RFC 2397 §2"));
        };
        let bytes = if head.ends_with(";base64") {
            STANDARD.decode(body).map_err(|error| {
                doc.invalid(
                    format!("{pointer}/uri"),
                    format!("the base64 cannot be read: {error}"),
                    "RFC 4648 §4",
                )
            })?
        } else {
            percent_decode_str(body).collect()
        };
        return Ok(Data::Owned(bytes));
    }
    let name = percent_decode_str(uri).decode_utf8_lossy();
    let file = files.iter().find(|file| file.name == uri.as_str() || file.name == name);
    Ok(match file {
        Some(file) => Data::Borrowed(file.bytes),
        None => {
            let shown: String = name.chars().filter(|c| !c.is_control()).take(80).collect();
            Data::Missing(format!("the file {shown} was not uploaded"))
        }
    })
}
