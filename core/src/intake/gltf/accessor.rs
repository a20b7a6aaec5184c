//! Accessors, checked before use (glTF 2.0 §3.6.2).

use std::collections::BTreeMap;
use std::sync::Arc;

use glam::DMat4;
use serde_json::Value;

use super::buffers::Buffers;
use super::doc::Doc;
use crate::intake::{Fault, Limits};
use crate::model::{Reads, Unread, WeightStorage};

/// Elements that may come out of nothing (an accessor without a view is all zeros).
const MOST_ZEROS: u64 = 1_000_000;

/// Data, or nothing because the bytes are not there (then it is noted as unread).
pub(super) enum Got<T> {
    Data(T),
    Missing,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Component {
    I8,
    U8,
    I16,
    U16,
    U32,
    F32,
}

impl Component {
    fn of(code: u64) -> Option<Self> {
        Some(match code {
            5120 => Self::I8,
            5121 => Self::U8,
            5122 => Self::I16,
            5123 => Self::U16,
            5125 => Self::U32,
            5126 => Self::F32,
            _ => return None,
        })
    }

    fn size(self) -> usize {
        match self {
            Self::I8 | Self::U8 => 1,
            Self::I16 | Self::U16 => 2,
            Self::U32 | Self::F32 => 4,
        }
    }
}

struct Sparse {
    count: usize,
    index_view: usize,
    index_offset: usize,
    index_component: Component,
    value_view: usize,
    value_offset: usize,
}

struct Accessor {
    view: Option<usize>,
    offset: usize,
    stride: usize,
    component: Component,
    width: usize,
    normalized: bool,
    count: usize,
    sparse: Option<Sparse>,
}

/// All accessors of a document, their views and what could not be read.
pub(super) struct Accessors<'a> {
    doc: Doc<'a>,
    pub(super) limits: &'a Limits,
    buffers: Buffers<'a>,
    list: Vec<Accessor>,
    zeros: u64,
    animation_values: u64,
    scalars: BTreeMap<(usize, usize), Arc<[f32]>>,
    unread: Vec<Unread>,
    approximations: BTreeMap<&'static str, u64>,
}

impl<'a> Accessors<'a> {
    pub(super) fn new(doc: &Doc<'a>, buffers: Buffers<'a>, limits: &'a Limits) -> Result<Self, Fault> {
        let mut list = Vec::new();
        for (index, value) in doc.list("accessors")?.iter().enumerate() {
            list.push(read(doc, &buffers, value, &format!("/accessors/{index}"))?);
        }
        Ok(Self {
            doc: *doc,
            limits,
            buffers,
            list,
            zeros: 0,
            animation_values: 0,
            scalars: BTreeMap::new(),
            unread: Vec::new(),
            approximations: BTreeMap::new(),
        })
    }

    /// An index into the accessors.
    pub(super) fn index(&self, object: &Value, key: &str, pointer: &str) -> Result<Option<usize>, Fault> {
        self.doc.index(object, key, pointer, self.list.len(), "accessor")
    }

    pub(super) fn count(&self, accessor: usize) -> usize {
        self.list[accessor].count
    }

    pub(super) fn approximate(&mut self, what: &'static str, amount: u64) {
        *self.approximations.entry(what).or_default() += amount;
    }

    pub(super) fn approximations(&self) -> Vec<(String, u64)> {
        self.approximations.iter().map(|(what, amount)| ((*what).to_owned(), *amount)).collect()
    }

    pub(super) fn unread(&mut self) -> Vec<Unread> {
        std::mem::take(&mut self.unread)
    }

    pub(super) fn miss(&mut self, reads: Reads, reason: String, pointer: String) {
        if self.unread.len() < 10_000 {
            self.unread.push(Unread { reads, reason, pointer });
        }
    }

    /// The bytes of a view, for Draco.
    pub(super) fn view_bytes(&mut self, view: usize) -> Result<Result<&[u8], String>, Fault> {
        self.buffers.prepare(view)?;
        Ok(self.buffers.bytes(view))
    }

    pub(super) fn views(&self) -> usize {
        self.buffers.views()
    }

    fn wrong_type(&self, accessor: usize, wanted: &str) -> Fault {
        let text = format!("is read as {wanted}, which its type and component type do not give");
        self.doc.invalid(format!("/accessors/{accessor}"), text, "glTF 2.0 §3.7.2.1")
    }

    /// Readies the views of an accessor and pays for elements that come from nothing.
    fn prepare(&mut self, accessor: usize, reads: Reads) -> Result<bool, Fault> {
        let this = &self.list[accessor];
        let views = [
            this.view,
            this.sparse.as_ref().map(|s| s.index_view),
            this.sparse.as_ref().map(|s| s.value_view),
        ];
        if this.view.is_none() {
            self.zeros += this.count as u64;
            if self.zeros > MOST_ZEROS {
                let pointer = format!("/accessors/{accessor}/count");
                return Err(self.doc.limit(pointer, "vertices", MOST_ZEROS, self.zeros));
            }
        }
        for view in views.into_iter().flatten() {
            self.buffers.prepare(view)?;
            if let Err(reason) = self.buffers.bytes(view) {
                self.miss(reads, reason, format!("/accessors/{accessor}"));
                return Ok(false);
            }
        }
        Ok(true)
    }

    /// Reads every element by `convert`, which gets the bytes of one element's components, `N` of them.
    fn collect<T: Copy + Default, const N: usize, const B: usize>(
        &self,
        accessor: usize,
        convert: impl Fn([[u8; B]; N]) -> T,
    ) -> Result<Vec<T>, Fault> {
        let this = &self.list[accessor];
        let size = N * B;
        // Sizes known while compiling let the loop below become one of plain loads.
        let one =
            |bytes: &[u8]| -> Option<T> { Some(convert(*bytes.as_chunks::<B>().0.first_chunk::<N>()?)) };
        let mut out = match this.view {
            None => vec![T::default(); this.count],
            Some(view) => {
                let bytes = self.buffers.bytes(view).unwrap_or_default();
                let bytes = bytes.get(this.offset..).unwrap_or_default();
                if this.stride == size {
                    let (elements, _) = bytes.as_chunks::<B>().0.as_chunks::<N>();
                    elements.iter().take(this.count).map(|element| convert(*element)).collect()
                } else {
                    bytes.chunks(this.stride).take(this.count).filter_map(one).collect()
                }
            }
        };
        if out.len() != this.count {
            return Err(self.doc.invalid(
                format!("/accessors/{accessor}"),
                "reaches past its view",
                "glTF 2.0 §3.6.2.4",
            ));
        }
        if let Some(sparse) = &this.sparse {
            let indices = self.buffers.bytes(sparse.index_view).unwrap_or_default();
            let indices = indices.get(sparse.index_offset..).unwrap_or_default();
            let values = self.buffers.bytes(sparse.value_view).unwrap_or_default();
            let values = values.get(sparse.value_offset..).unwrap_or_default();
            let width = sparse.index_component.size();
            let mut previous: Option<u32> = None;
            for (at, (raw, value)) in
                indices.chunks_exact(width).zip(values.chunks_exact(size)).take(sparse.count).enumerate()
            {
                let index = unsigned(raw);
                let slot =
                    out.get_mut(index as usize).filter(|_| previous.is_none_or(|before| before < index));
                let Some(slot) = slot else {
                    let text = format!(
                        "sparse index {index} (number {at}) is out of order or past the {} elements",
                        this.count
                    );
                    return Err(self.doc.invalid(
                        format!("/accessors/{accessor}/sparse"),
                        text,
                        "glTF 2.0 §3.6.2.3",
                    ));
                };
                if let Some(value) = one(value) {
                    *slot = value;
                }
                previous = Some(index);
            }
        }
        Ok(out)
    }

    /// Numbers, `N` to an element; integers are normalised where the accessor says so.
    pub(super) fn vectors<const N: usize>(
        &mut self,
        accessor: usize,
        reads: Reads,
    ) -> Result<Got<Vec<[f32; N]>>, Fault>
    where
        [f32; N]: Default,
    {
        let this = &self.list[accessor];
        let (component, normalized) = (this.component, this.normalized);
        if this.width != N || component == Component::U32 {
            return Err(self.wrong_type(accessor, &format!("{N} numbers an element")));
        }
        if !self.prepare(accessor, reads)? {
            return Ok(Got::Missing);
        }
        let data = match (component, normalized) {
            (Component::F32, _) => self.collect(accessor, |e: [[u8; 4]; N]| e.map(f32::from_le_bytes)),
            // §3.11: signed ones clamp at −1.
            (Component::I8, true) => {
                self.collect(accessor, |e: [[u8; 1]; N]| e.map(|b| (f32::from(b[0] as i8) / 127.0).max(-1.0)))
            }
            (Component::I8, false) => {
                self.collect(accessor, |e: [[u8; 1]; N]| e.map(|b| f32::from(b[0] as i8)))
            }
            (Component::U8, true) => {
                self.collect(accessor, |e: [[u8; 1]; N]| e.map(|b| f32::from(b[0]) / 255.0))
            }
            (Component::U8, false) => self.collect(accessor, |e: [[u8; 1]; N]| e.map(|b| f32::from(b[0]))),
            (Component::I16, true) => self.collect(accessor, |e: [[u8; 2]; N]| {
                e.map(|b| (f32::from(i16::from_le_bytes(b)) / 32_767.0).max(-1.0))
            }),
            (Component::I16, false) => {
                self.collect(accessor, |e: [[u8; 2]; N]| e.map(|b| f32::from(i16::from_le_bytes(b))))
            }
            (_, true) => self
                .collect(accessor, |e: [[u8; 2]; N]| e.map(|b| f32::from(u16::from_le_bytes(b)) / 65_535.0)),
            (_, false) => {
                self.collect(accessor, |e: [[u8; 2]; N]| e.map(|b| f32::from(u16::from_le_bytes(b))))
            }
        };
        data.map(Got::Data)
    }

    /// Weights and their storage; integers always count as normalised.
    pub(super) fn weights(&mut self, accessor: usize) -> Result<Got<(Vec<[f32; 4]>, WeightStorage)>, Fault> {
        let this = &mut self.list[accessor];
        let storage = match this.component {
            Component::F32 => WeightStorage::Float,
            Component::U8 => WeightStorage::Unorm8,
            Component::U16 => WeightStorage::Unorm16,
            _ => return Err(self.wrong_type(accessor, "weights")),
        };
        this.normalized = storage != WeightStorage::Float;
        Ok(match self.vectors::<4>(accessor, Reads::WEIGHTS)? {
            Got::Data(data) => Got::Data((data, storage)),
            Got::Missing => Got::Missing,
        })
    }

    /// Joint indices.
    pub(super) fn joints(&mut self, accessor: usize) -> Result<Got<Vec<[u16; 4]>>, Fault> {
        let this = &self.list[accessor];
        let component = this.component;
        if this.width != 4 || !matches!(component, Component::U8 | Component::U16) {
            return Err(self.wrong_type(accessor, "joint indices"));
        }
        if !self.prepare(accessor, Reads::WEIGHTS)? {
            return Ok(Got::Missing);
        }
        let data = match component {
            Component::U8 => self.collect(accessor, |e: [[u8; 1]; 4]| e.map(|b| u16::from(b[0]))),
            _ => self.collect(accessor, |e: [[u8; 2]; 4]| e.map(u16::from_le_bytes)),
        };
        data.map(Got::Data)
    }

    /// Vertex indices.
    pub(super) fn vertex_indices(&mut self, accessor: usize) -> Result<Got<Vec<u32>>, Fault> {
        let this = &self.list[accessor];
        let component = this.component;
        if this.width != 1 || !matches!(component, Component::U8 | Component::U16 | Component::U32) {
            return Err(self.wrong_type(accessor, "vertex indices"));
        }
        if !self.prepare(accessor, Reads::MESH)? {
            return Ok(Got::Missing);
        }
        let data = match component {
            Component::U8 => self.collect(accessor, |[b]: [[u8; 1]; 1]| u32::from(b[0])),
            Component::U16 => self.collect(accessor, |[b]: [[u8; 2]; 1]| u32::from(u16::from_le_bytes(b))),
            _ => self.collect(accessor, |[b]: [[u8; 4]; 1]| u32::from_le_bytes(b)),
        };
        data.map(Got::Data)
    }

    /// Vertex indices three by three, and how many are left over. Where they lie one after the other, they are read
    /// without the flat list between, which would be the largest thing in most files.
    pub(super) fn triangle_list(&mut self, accessor: usize) -> Result<Got<(Vec<[u32; 3]>, u64)>, Fault> {
        let this = &self.list[accessor];
        let (component, left) = (this.component, this.count as u64 % 3);
        let packed = this.stride == component.size() && this.width == 1 && this.sparse.is_none();
        if packed && let Some(bytes) = self.packed(accessor)? {
            let triangles = match component {
                Component::U8 => triples(bytes, |b: [u8; 1]| u32::from(b[0])),
                Component::U16 => triples(bytes, |b: [u8; 2]| u32::from(u16::from_le_bytes(b))),
                Component::U32 => triples(bytes, u32::from_le_bytes),
                _ => return Err(self.wrong_type(accessor, "vertex indices")),
            };
            return Ok(Got::Data((triangles, left)));
        }
        Ok(match self.vertex_indices(accessor)? {
            Got::Data(list) => Got::Data((list.as_chunks::<3>().0.to_vec(), left)),
            Got::Missing => Got::Missing,
        })
    }

    /// All bytes of a tightly packed accessor, where they are there.
    fn packed(&mut self, accessor: usize) -> Result<Option<&[u8]>, Fault> {
        let Some(view) = self.list[accessor].view else { return Ok(None) };
        self.buffers.prepare(view)?;
        let this = &self.list[accessor];
        let length = this.count.saturating_mul(this.width * this.component.size());
        let bytes = self.buffers.bytes(view).ok().and_then(|bytes| bytes.get(this.offset..));
        Ok(bytes.and_then(|bytes| bytes.get(..length)))
    }

    /// 4×4 matrices, column-major.
    pub(super) fn matrices(&mut self, accessor: usize, reads: Reads) -> Result<Got<Vec<DMat4>>, Fault> {
        let this = &self.list[accessor];
        if this.width != 16 || this.component != Component::F32 {
            return Err(self.wrong_type(accessor, "float matrices"));
        }
        if this.count as u64 > self.limits.joints * 16 {
            let (max, got) = (self.limits.joints * 16, this.count as u64);
            return Err(self.doc.limit(format!("/accessors/{accessor}/count"), "joints", max, got));
        }
        Ok(match self.vectors::<16>(accessor, reads)? {
            Got::Data(rows) => {
                Got::Data(rows.iter().map(|row| DMat4::from_cols_array(&row.map(f64::from))).collect())
            }
            Got::Missing => Got::Missing,
        })
    }

    /// Numbers of elements of `width`, flat, shared between channels that use the same accessor.
    pub(super) fn scalars(
        &mut self,
        accessor: usize,
        width: usize,
        reads: Reads,
    ) -> Result<Got<Arc<[f32]>>, Fault> {
        if let Some(known) = self.scalars.get(&(accessor, width)) {
            return Ok(Got::Data(known.clone()));
        }
        let count = self.list[accessor].count as u64 * width as u64;
        self.animation_values += count;
        if self.animation_values > self.limits.animation_values {
            let (max, got) = (self.limits.animation_values, self.animation_values);
            return Err(self.doc.limit(format!("/accessors/{accessor}/count"), "animation_values", max, got));
        }
        let flat: Option<Vec<f32>> = match width {
            1 => data(self.vectors::<1>(accessor, reads)?).map(|rows| rows.into_flattened()),
            3 => data(self.vectors::<3>(accessor, reads)?).map(|rows| rows.into_flattened()),
            _ => data(self.vectors::<4>(accessor, reads)?).map(|rows| rows.into_flattened()),
        };
        Ok(match flat {
            Some(flat) => {
                let shared: Arc<[f32]> = flat.into();
                self.scalars.insert((accessor, width), shared.clone());
                Got::Data(shared)
            }
            None => Got::Missing,
        })
    }
}

fn data<T>(got: Got<T>) -> Option<T> {
    match got {
        Got::Data(data) => Some(data),
        Got::Missing => None,
    }
}

fn triples<const B: usize>(bytes: &[u8], convert: impl Fn([u8; B]) -> u32) -> Vec<[u32; 3]> {
    bytes.as_chunks::<B>().0.as_chunks::<3>().0.iter().map(|[a, b, c]| [*a, *b, *c].map(&convert)).collect()
}

fn unsigned(bytes: &[u8]) -> u32 {
    match bytes {
        [a] => u32::from(*a),
        [a, b] => u32::from(u16::from_le_bytes([*a, *b])),
        [a, b, c, d] => u32::from_le_bytes([*a, *b, *c, *d]),
        _ => u32::MAX,
    }
}

fn read(doc: &Doc<'_>, buffers: &Buffers<'_>, value: &Value, pointer: &str) -> Result<Accessor, Fault> {
    let component = component(doc, value, pointer)?;
    let (width, columns) = match value.get("type").and_then(Value::as_str) {
        Some("SCALAR") => (1, 1),
        Some("VEC2") => (2, 1),
        Some("VEC3") => (3, 1),
        Some("VEC4") => (4, 1),
        Some("MAT2") => (4, 2),
        Some("MAT3") => (9, 3),
        Some("MAT4") => (16, 4),
        _ => return Err(doc.invalid(format!("{pointer}/type"), "is no accessor type", "glTF 2.0 §3.6.2.2")),
    };
    let Some(count) = doc.whole(value, "count", pointer)?.filter(|count| *count > 0) else {
        return Err(doc.invalid(
            format!("{pointer}/count"),
            "an accessor has at least one element",
            "glTF 2.0 §5.1",
        ));
    };
    // Columns of small matrices are padded to four bytes.
    let column = (width / columns) * component.size();
    let size = if columns > 1 { column.next_multiple_of(4) * columns } else { column };
    let view = doc.index(value, "bufferView", pointer, buffers.views(), "buffer view")?;
    let offset = doc.whole(value, "byteOffset", pointer)?.unwrap_or(0);
    let stride = view.and_then(|view| buffers.stride(view)).unwrap_or(size);
    if stride < size {
        let text = format!("elements of {size} bytes do not fit a stride of {stride}");
        return Err(doc.invalid(pointer, text, "glTF 2.0 §3.6.2.4"));
    }
    if let Some(view) = view {
        fits(doc, buffers, view, offset, stride, count, size, pointer)?;
    }
    let sparse = match value.get("sparse") {
        None => None,
        Some(sparse) => Some(read_sparse(doc, buffers, sparse, &format!("{pointer}/sparse"), count, size)?),
    };
    Ok(Accessor {
        view,
        offset: offset as usize,
        stride,
        component,
        width,
        normalized: value.get("normalized").and_then(Value::as_bool).unwrap_or(false),
        count: usize::try_from(count).unwrap_or(usize::MAX),
        sparse,
    })
}

fn component(doc: &Doc<'_>, value: &Value, pointer: &str) -> Result<Component, Fault> {
    doc.whole(value, "componentType", pointer)?.and_then(Component::of).ok_or_else(|| {
        doc.invalid(format!("{pointer}/componentType"), "is no component type", "glTF 2.0 §3.6.2.2")
    })
}

fn read_sparse(
    doc: &Doc<'_>,
    buffers: &Buffers<'_>,
    sparse: &Value,
    pointer: &str,
    base: u64,
    size: usize,
) -> Result<Sparse, Fault> {
    let count = doc.whole(sparse, "count", pointer)?.unwrap_or(0);
    if count == 0 || count > base {
        let text = format!("{count} substitutes for {base} elements");
        return Err(doc.invalid(format!("{pointer}/count"), text, "glTF 2.0 §3.6.2.3"));
    }
    let part = |key: &str| -> Result<(&Value, String, usize, u64), Fault> {
        let here = format!("{pointer}/{key}");
        let value = sparse.get(key).unwrap_or(&Value::Null);
        let view = doc.index(value, "bufferView", &here, buffers.views(), "buffer view")?;
        let view =
            view.ok_or_else(|| doc.invalid(here.clone(), "names no buffer view", "glTF 2.0 §3.6.2.3"))?;
        let offset = doc.whole(value, "byteOffset", &here)?.unwrap_or(0);
        Ok((value, here, view, offset))
    };
    let (value, here, index_view, index_offset) = part("indices")?;
    let index_component = component(doc, value, &here)?;
    if !matches!(index_component, Component::U8 | Component::U16 | Component::U32) {
        return Err(doc.invalid(
            format!("{here}/componentType"),
            "sparse indices are unsigned",
            "glTF 2.0 §3.6.2.3",
        ));
    }
    let width = index_component.size();
    fits(doc, buffers, index_view, index_offset, width, count, width, &here)?;
    let (_, here, value_view, value_offset) = part("values")?;
    fits(doc, buffers, value_view, value_offset, size, count, size, &here)?;
    Ok(Sparse {
        count: count as usize,
        index_view,
        index_offset: index_offset as usize,
        index_component,
        value_view,
        value_offset: value_offset as usize,
    })
}

/// offset + stride · (count − 1) + size ≤ length (§3.6.2.4), without overflow.
#[expect(clippy::too_many_arguments, reason = "the formula has this many terms")]
fn fits(
    doc: &Doc<'_>,
    buffers: &Buffers<'_>,
    view: usize,
    offset: u64,
    stride: usize,
    count: u64,
    size: usize,
    pointer: &str,
) -> Result<(), Fault> {
    let end = (stride as u64)
        .checked_mul(count.saturating_sub(1))
        .and_then(|span| span.checked_add(size as u64))
        .and_then(|span| span.checked_add(offset));
    let length = buffers.length(view) as u64;
    if end.is_some_and(|end| end <= length) {
        return Ok(());
    }
    let text = format!("{count} elements from byte {offset} reach past view {view} of {length} bytes");
    Err(doc.invalid(pointer, text, "glTF 2.0 §3.6.2.4"))
}
