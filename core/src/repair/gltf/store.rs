//! New accessor content into the file: in place where nothing else lives there, else in a view of its own at the end.

use std::borrow::Cow;
use std::collections::BTreeMap;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use serde_json::{Value, json};

use super::Session;
use crate::repair::document::Document;

/// Overlapping ranges looked at before an accessor counts as shared.
const MOST_NEIGHBOURS: usize = 512;
/// `bufferView.target` of vertex attributes.
const VERTICES: u64 = 34_962;

/// What an accessor is to hold.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Payload {
    /// Elements, tight.
    pub(super) bytes: Vec<u8>,
    pub(super) component: u64,
    pub(super) kind: &'static str,
    pub(super) normalized: bool,
    pub(super) count: usize,
    /// It is a vertex attribute.
    pub(super) vertex: bool,
    /// The standard asks for `min` and `max` (sampler inputs).
    pub(super) bounded: bool,
}

impl Payload {
    /// Four numbers a vertex.
    pub(super) fn vertex(bytes: Vec<u8>, component: u64, normalized: bool, count: usize) -> Self {
        Self { bytes, component, kind: "VEC4", normalized, count, vertex: true, bounded: false }
    }

    /// Floats.
    pub(super) fn floats(values: &[f32], kind: &'static str, bounded: bool) -> Self {
        let width = width(kind);
        let bytes = values.iter().flat_map(|v| v.to_le_bytes()).collect();
        let count = values.len() / width;
        Self { bytes, component: 5126, kind, normalized: false, count, vertex: false, bounded }
    }

    fn element(&self) -> usize {
        width(self.kind) * size(self.component)
    }

    /// Least and largest number of each component, as stored.
    fn bounds(&self) -> (Vec<Value>, Vec<Value>) {
        let width = width(self.kind);
        let (mut low, mut high) = (vec![f64::INFINITY; width], vec![f64::NEG_INFINITY; width]);
        for element in self.bytes.chunks_exact(self.element()) {
            for (at, raw) in element.chunks_exact(size(self.component)).enumerate() {
                let number = number(self.component, raw);
                low[at] = low[at].min(number);
                high[at] = high[at].max(number);
            }
        }
        let text = |list: Vec<f64>| {
            let finite = |n: f64| if n.is_finite() { n } else { 0.0 };
            list.into_iter()
                .map(|n| if self.component == 5126 { json!(finite(n)) } else { json!(finite(n) as i64) })
                .collect()
        };
        (text(low), text(high))
    }
}

fn width(kind: &str) -> usize {
    match kind {
        "SCALAR" => 1,
        "VEC3" => 3,
        "VEC4" => 4,
        _ => 16,
    }
}

fn size(component: u64) -> usize {
    match component {
        5120 | 5121 => 1,
        5122 | 5123 => 2,
        _ => 4,
    }
}

fn number(component: u64, raw: &[u8]) -> f64 {
    match (component, raw) {
        (5120, [a]) => f64::from(*a as i8),
        (_, [a]) => f64::from(*a),
        (5122, [a, b]) => f64::from(i16::from_le_bytes([*a, *b])),
        (_, [a, b]) => f64::from(u16::from_le_bytes([*a, *b])),
        (5125, [a, b, c, d]) => f64::from(u32::from_le_bytes([*a, *b, *c, *d])),
        (_, [a, b, c, d]) => f64::from(f32::from_le_bytes([*a, *b, *c, *d])),
        _ => 0.0,
    }
}

/// A whole number that is not negative, however it is written.
pub(super) fn whole(value: &Value) -> Option<u64> {
    value
        .as_u64()
        .or_else(|| value.as_f64().filter(|f| f.fract() == 0.0 && *f >= 0.0 && *f < 9e15).map(|f| f as u64))
}

fn at(value: &Value, key: &str) -> Option<usize> {
    value.get(key).and_then(whole).and_then(|n| usize::try_from(n).ok())
}

/// A buffer of the file.
enum Bytes<'a> {
    /// The binary chunk.
    Chunk(Cow<'a, [u8]>),
    /// Base64 in the document, with what stands before it.
    Inline { head: String, bytes: Vec<u8> },
    /// Beside the document, or nowhere: never written.
    Outside,
}

impl Bytes<'_> {
    fn mutable(&mut self) -> Option<&mut Vec<u8>> {
        match self {
            Self::Chunk(bytes) => Some(bytes.to_mut()),
            Self::Inline { bytes, .. } => Some(bytes),
            Self::Outside => None,
        }
    }
}

/// Bytes that something of the document uses.
#[derive(Debug, Clone, Copy)]
struct Range {
    start: usize,
    end: usize,
    stride: usize,
    size: usize,
    accessor: Option<usize>,
}

/// What the document says about its buffers, read once when there is something to write.
struct Layout {
    root: Value,
    /// By buffer: ranges sorted by start, with the largest end so far.
    ranges: BTreeMap<usize, Vec<(Range, usize)>>,
    /// How often each accessor is named.
    users: Vec<usize>,
}

impl Layout {
    fn new(root: Value) -> Self {
        let list = |key: &str| root.get(key).and_then(Value::as_array).map_or(&[][..], Vec::as_slice);
        let (accessors, views) = (list("accessors"), list("bufferViews"));
        let mut ranges: BTreeMap<usize, Vec<(Range, usize)>> = BTreeMap::new();
        let mut add = |buffer: usize, range: Range| ranges.entry(buffer).or_default().push((range, 0));
        let mut viewed = vec![false; views.len()];
        let mut whole_views: Vec<usize> = Vec::new();
        for (index, accessor) in accessors.iter().enumerate() {
            if let Some(view) = at(accessor, "bufferView")
                && let Some(it) = views.get(view)
            {
                viewed[view] = true;
                if let Some((buffer, range)) = range(accessor, it, index) {
                    add(buffer, range);
                }
            }
            for part in ["indices", "values"] {
                whole_views.extend(
                    accessor.get("sparse").and_then(|s| s.get(part)).and_then(|p| at(p, "bufferView")),
                );
            }
        }
        whole_views.extend(list("images").iter().filter_map(|image| at(image, "bufferView")));
        let mut users = vec![0; accessors.len()];
        let mut using = |index: Option<usize>| {
            if let Some(count) = index.and_then(|index| users.get_mut(index)) {
                *count += 1;
            }
        };
        let named = |map: Option<&Value>| -> Vec<Option<usize>> {
            let map = map.and_then(Value::as_object);
            map.into_iter().flat_map(|map| map.values()).map(|v| whole(v).map(|n| n as usize)).collect()
        };
        for primitive in list("meshes").iter().filter_map(|mesh| mesh.get("primitives")?.as_array()).flatten()
        {
            using(at(primitive, "indices"));
            named(primitive.get("attributes")).into_iter().for_each(&mut using);
            for target in primitive.get("targets").and_then(Value::as_array).into_iter().flatten() {
                named(Some(target)).into_iter().for_each(&mut using);
            }
            let draco = primitive.get("extensions").and_then(|e| e.get("KHR_draco_mesh_compression"));
            whole_views.extend(draco.and_then(|draco| at(draco, "bufferView")));
        }
        for skin in list("skins") {
            using(at(skin, "inverseBindMatrices"));
        }
        for sampler in list("animations").iter().filter_map(|clip| clip.get("samplers")?.as_array()).flatten()
        {
            using(at(sampler, "input"));
            using(at(sampler, "output"));
        }
        for node in list("nodes") {
            let instances = node.get("extensions").and_then(|e| e.get("EXT_mesh_gpu_instancing"));
            named(instances.and_then(|i| i.get("attributes"))).into_iter().for_each(&mut using);
        }
        for (index, view) in views.iter().enumerate() {
            if !viewed[index] {
                whole_views.push(index);
            }
            let packed = view.get("extensions").and_then(|e| e.get("EXT_meshopt_compression"));
            if let Some((buffer, range)) = packed.and_then(view_range) {
                add(buffer, range);
            }
        }
        for view in whole_views {
            if let Some((buffer, range)) = views.get(view).and_then(view_range) {
                add(buffer, range);
            }
        }
        for list in ranges.values_mut() {
            list.sort_by_key(|(range, _)| (range.start, range.end));
            let mut most = 0;
            for (range, end) in list {
                most = most.max(range.end);
                *end = most;
            }
        }
        Self { root, ranges, users }
    }

    fn part(&self, list: &str, index: usize) -> Option<&Value> {
        self.root.get(list)?.as_array()?.get(index)
    }

    /// Where an accessor's elements can be overwritten: buffer, first byte, stride.
    fn place(&self, accessor: usize, payload: &Payload) -> Option<(usize, usize, usize)> {
        let it = self.part("accessors", accessor)?;
        let view = self.part("bufferViews", at(it, "bufferView")?)?;
        let fits = at(it, "componentType")? as u64 == payload.component
            && at(it, "count")? == payload.count
            && it.get("type")?.as_str()? == payload.kind
            && it.get("normalized").and_then(Value::as_bool).unwrap_or(false) == payload.normalized;
        if !fits || it.get("sparse").is_some() || view.get("extensions").is_some() {
            return None;
        }
        let (buffer, mine) = range(it, view, accessor)?;
        let list = self.ranges.get(&buffer)?;
        let first = list.partition_point(|(_, most)| *most <= mine.start);
        let near = list[first..].iter().map(|(range, _)| range).take_while(|range| range.start < mine.end);
        for (looked, other) in near.enumerate() {
            if looked >= MOST_NEIGHBOURS {
                return None;
            }
            if other.accessor == Some(accessor) || other.end <= mine.start {
                continue;
            }
            // Interleaved attributes lie between one another without sharing a byte.
            let phase = (other.start as i64 - mine.start as i64).rem_euclid(mine.stride as i64) as usize;
            let apart = other.accessor.is_some()
                && other.stride == mine.stride
                && phase >= mine.size
                && phase + other.size <= mine.stride;
            if !apart {
                return None;
            }
        }
        Some((buffer, mine.start, mine.stride))
    }
}

/// The bytes of an accessor in its buffer.
fn range(accessor: &Value, view: &Value, index: usize) -> Option<(usize, Range)> {
    let element = width(accessor.get("type")?.as_str()?) * size(at(accessor, "componentType")? as u64);
    // Types that are not written here (small matrices and pairs) are taken as wide as they can be.
    let element = if ["SCALAR", "VEC3", "VEC4", "MAT4"].contains(&accessor.get("type")?.as_str()?) {
        element
    } else {
        64
    };
    let stride = at(view, "byteStride").unwrap_or(element).max(1);
    let start = at(view, "byteOffset").unwrap_or(0).checked_add(at(accessor, "byteOffset").unwrap_or(0))?;
    let span = stride.checked_mul(at(accessor, "count")?.checked_sub(1)?)?.checked_add(element)?;
    let end = start.checked_add(span)?;
    Some((at(view, "buffer")?, Range { start, end, stride, size: element, accessor: Some(index) }))
}

/// The bytes of a whole view.
fn view_range(view: &Value) -> Option<(usize, Range)> {
    let start = at(view, "byteOffset").unwrap_or(0);
    let size = at(view, "byteLength")?;
    Some((
        at(view, "buffer")?,
        Range { start, end: start.checked_add(size)?, stride: size.max(1), size, accessor: None },
    ))
}

impl Session<'_> {
    /// Writes everything; the new file, where there is one.
    pub(crate) fn finish(mut self) -> Result<Option<Vec<u8>>, String> {
        let mut buffers =
            Buffers { document: &mut self.document, list: Vec::new(), room: self.room, chunk: None };
        if !self.payloads.is_empty() {
            let payloads = std::mem::take(&mut self.payloads);
            buffers.load(self.container.bin, self.container.binary)?;
            write(&mut buffers, payloads)?;
        }
        buffers.save()?;
        let chunk = buffers.chunk.take();
        if !self.document.changed() && chunk.is_none() {
            return Ok(None);
        }
        let bin = chunk.as_deref().or(self.container.bin);
        let file = self.container.join(self.document.render(), bin).ok_or("the file would be too large")?;
        Ok(Some(file))
    }
}

/// The buffers of the file under change.
struct Buffers<'d, 'a> {
    document: &'d mut Document<'a>,
    list: Vec<(Bytes<'a>, bool)>,
    room: u64,
    chunk: Option<Vec<u8>>,
}

impl<'a> Buffers<'_, 'a> {
    fn load(&mut self, bin: Option<&'a [u8]>, binary: bool) -> Result<(), String> {
        for index in 0..self.document.length("/buffers").unwrap_or(0) {
            let uri = self.document.value(&format!("/buffers/{index}/uri"));
            let bytes = match (uri, bin) {
                (None, Some(bin)) if index == 0 && binary => Bytes::Chunk(Cow::Borrowed(bin)),
                (Some(Value::String(uri)), _) => inline(&uri).unwrap_or(Bytes::Outside),
                _ => Bytes::Outside,
            };
            self.list.push((bytes, false));
        }
        if self.list.is_empty() && binary {
            self.add(&json!({"byteLength": 0}), Bytes::Chunk(Cow::Borrowed(&[])))?;
        }
        Ok(())
    }

    fn add(&mut self, buffer: &Value, bytes: Bytes<'a>) -> Result<usize, String> {
        if self.document.length("/buffers").is_none() {
            self.document.set("/buffers", &json!([]))?;
        }
        self.list.push((bytes, false));
        self.document.push("/buffers", buffer)
    }

    /// Puts bytes at the end of a buffer that is ours to write; answers buffer and offset.
    fn append(&mut self, bytes: &[u8]) -> Result<(usize, usize), String> {
        self.room = self
            .room
            .checked_sub(bytes.len() as u64)
            .ok_or("the repaired file would be many times larger than the input")?;
        let chunk = self.list.first().is_some_and(|(bytes, _)| matches!(bytes, Bytes::Chunk(_)));
        let last = self.list.last().is_some_and(|(bytes, _)| matches!(bytes, Bytes::Inline { .. }));
        let index = if chunk {
            0
        } else if last {
            self.list.len() - 1
        } else {
            let head = "data:application/octet-stream;base64".to_owned();
            self.add(&json!({"byteLength": 0, "uri": ""}), Bytes::Inline { head, bytes: Vec::new() })?
        };
        let Some((buffer, changed)) = self.list.get_mut(index) else {
            return Err("there is no buffer".into());
        };
        let Some(there) = buffer.mutable() else { return Err("the buffer cannot be written".into()) };
        there.resize(there.len().next_multiple_of(4), 0);
        let offset = there.len();
        there.extend_from_slice(bytes);
        *changed = true;
        let length = there.len();
        self.document.set(&format!("/buffers/{index}/byteLength"), &json!(length))?;
        Ok((index, offset))
    }

    /// Overwrites elements; answers whether they are there.
    fn overwrite(&mut self, (buffer, start, stride): (usize, usize, usize), payload: &Payload) -> bool {
        let Some((bytes, changed)) = self.list.get_mut(buffer) else { return false };
        if matches!(bytes, Bytes::Outside) {
            return false;
        }
        let element = payload.element();
        let Some(there) = bytes.mutable() else { return false };
        let Some(end) =
            stride.checked_mul(payload.count.saturating_sub(1)).map(|span| start + span + element)
        else {
            return false;
        };
        if end > there.len() {
            return false;
        }
        for (at, new) in payload.bytes.chunks_exact(element).enumerate() {
            let from = start + at * stride;
            if there[from..from + element] != *new {
                there[from..from + element].copy_from_slice(new);
                *changed = true;
            }
        }
        true
    }

    fn save(&mut self) -> Result<(), String> {
        for (index, (bytes, changed)) in std::mem::take(&mut self.list).into_iter().enumerate() {
            match bytes {
                Bytes::Inline { head, bytes } if changed => {
                    let uri = format!("{head},{}", STANDARD.encode(bytes));
                    self.document.set(&format!("/buffers/{index}/uri"), &json!(uri))?;
                }
                Bytes::Chunk(bytes) if changed => self.chunk = Some(bytes.into_owned()),
                _ => {}
            }
        }
        Ok(())
    }
}

fn inline<'a>(uri: &str) -> Option<Bytes<'a>> {
    let (head, body) = uri.split_once(',')?;
    if !(head.starts_with("data:") && head.ends_with(";base64")) {
        return None;
    }
    let bytes = STANDARD.decode(body).ok()?;
    Some(Bytes::Inline { head: head.to_owned(), bytes })
}

/// Payloads into accessors. Members that name one accessor and get the same content go on sharing one; where some of
/// an accessor's users keep the old content, the others get a new accessor.
fn write(buffers: &mut Buffers<'_, '_>, payloads: BTreeMap<String, Payload>) -> Result<(), String> {
    let layout = Layout::new(buffers.document.value("").ok_or("the document cannot be read")?);
    let mut by_accessor: BTreeMap<Option<usize>, Vec<(Payload, Vec<String>)>> = BTreeMap::new();
    for (user, payload) in payloads {
        let accessor = buffers.document.value(&user).as_ref().and_then(whole).map(|n| n as usize);
        let groups = by_accessor.entry(accessor).or_default();
        match groups.iter_mut().find(|(known, _)| accessor.is_some() && *known == payload) {
            Some((_, users)) => users.push(user),
            None => groups.push((payload, vec![user])),
        }
    }
    for (accessor, groups) in by_accessor {
        let users = accessor.and_then(|index| layout.users.get(index)).copied().unwrap_or(0);
        for (payload, members) in groups {
            let alone = accessor.filter(|_| members.len() == users);
            if let Some(index) = alone
                && let Some(place) = layout.place(index, &payload)
                && buffers.overwrite(place, &payload)
            {
                bounds(buffers.document, index, &payload)?;
                continue;
            }
            let (buffer, offset) = buffers.append(&payload.bytes)?;
            let mut view = json!({"buffer": buffer, "byteOffset": offset, "byteLength": payload.bytes.len()});
            if payload.vertex {
                view["target"] = json!(VERTICES);
            }
            if buffers.document.length("/bufferViews").is_none() {
                buffers.document.set("/bufferViews", &json!([]))?;
            }
            let view = buffers.document.push("/bufferViews", &view)?;
            let index = match (alone, accessor) {
                (Some(index), _) => index,
                (None, Some(index)) => {
                    let copy = layout.part("accessors", index).cloned().unwrap_or_else(|| json!({}));
                    buffers.document.push("/accessors", &copy)?
                }
                (None, None) => {
                    if buffers.document.length("/accessors").is_none() {
                        buffers.document.set("/accessors", &json!([]))?;
                    }
                    buffers.document.push("/accessors", &json!({}))?
                }
            };
            describe(buffers.document, index, view, &payload)?;
            if alone.is_none() {
                for user in members {
                    buffers.document.set(&user, &json!(index))?;
                }
            }
        }
    }
    Ok(())
}

/// Points an accessor at its new view.
fn describe(document: &mut Document<'_>, index: usize, view: usize, payload: &Payload) -> Result<(), String> {
    let here = |key: &str| format!("/accessors/{index}/{key}");
    document.set(&here("bufferView"), &json!(view))?;
    for key in ["byteOffset", "sparse"] {
        if document.has(&here(key)) {
            document.remove(&here(key))?;
        }
    }
    document.set(&here("componentType"), &json!(payload.component))?;
    document.set(&here("count"), &json!(payload.count))?;
    document.set(&here("type"), &json!(payload.kind))?;
    if payload.normalized {
        document.set(&here("normalized"), &json!(true))?;
    } else if document.has(&here("normalized")) {
        document.set(&here("normalized"), &json!(false))?;
    }
    bounds(document, index, payload)
}

/// `min` and `max`, where they are there or must be.
fn bounds(document: &mut Document<'_>, index: usize, payload: &Payload) -> Result<(), String> {
    let (min, max) = (format!("/accessors/{index}/min"), format!("/accessors/{index}/max"));
    if payload.bounded || document.has(&min) || document.has(&max) {
        let (low, high) = payload.bounds();
        for (pointer, list) in [(min, low), (max, high)] {
            if payload.bounded || document.has(&pointer) {
                document.set(&pointer, &Value::Array(list))?;
            }
        }
    }
    Ok(())
}
