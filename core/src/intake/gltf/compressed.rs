//! Compressed content: `EXT_meshopt_compression` views, `KHR_draco_mesh_compression` primitives.

use std::panic::{AssertUnwindSafe, catch_unwind};

use draco_core::{DecodeLimits, DecoderBuffer, Mesh, MeshDecoder};
use serde_json::Value;

use super::doc::Doc;
use crate::intake::{Fault, Limits};

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Mode {
    Attributes,
    Triangles,
    Indices,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Filter {
    None,
    Octahedral,
    Quaternion,
    Exponential,
}

/// A meshopt-compressed view.
#[derive(Debug)]
pub(super) struct Meshopt {
    pub(super) buffer: usize,
    pub(super) offset: usize,
    pub(super) length: usize,
    stride: usize,
    count: usize,
    mode: Mode,
    filter: Filter,
}

impl Meshopt {
    pub(super) fn read(
        doc: &Doc<'_>,
        value: &Value,
        pointer: &str,
        buffer: usize,
        offset: usize,
        length: usize,
    ) -> Result<Self, Fault> {
        const RULE: &str = "EXT_meshopt_compression";
        let wrong = |key: &str, text: &str| doc.invalid(format!("{pointer}/{key}"), text, RULE);
        let mode = match value.get("mode").and_then(Value::as_str) {
            Some("ATTRIBUTES") => Mode::Attributes,
            Some("TRIANGLES") => Mode::Triangles,
            Some("INDICES") => Mode::Indices,
            _ => return Err(wrong("mode", "mode is ATTRIBUTES, TRIANGLES or INDICES")),
        };
        let filter = match value.get("filter").and_then(Value::as_str) {
            None | Some("NONE") => Filter::None,
            Some("OCTAHEDRAL") => Filter::Octahedral,
            Some("QUATERNION") => Filter::Quaternion,
            Some("EXPONENTIAL") => Filter::Exponential,
            Some(_) => return Err(wrong("filter", "filter is NONE, OCTAHEDRAL, QUATERNION or EXPONENTIAL")),
        };
        let stride = doc.whole(value, "byteStride", pointer)?.unwrap_or(0);
        let count = doc.whole(value, "count", pointer)?.unwrap_or(0);
        let fits = match mode {
            Mode::Attributes => stride % 4 == 0 && (4..=256).contains(&stride),
            Mode::Triangles => count % 3 == 0 && (stride == 2 || stride == 4),
            Mode::Indices => stride == 2 || stride == 4,
        };
        let filters = match filter {
            Filter::None => true,
            Filter::Octahedral => mode == Mode::Attributes && (stride == 4 || stride == 8),
            Filter::Quaternion => mode == Mode::Attributes && stride == 8,
            Filter::Exponential => mode == Mode::Attributes,
        };
        if !fits || !filters {
            return Err(wrong("byteStride", "stride or count do not fit mode and filter"));
        }
        if stride.checked_mul(count).is_none_or(|bytes| bytes > 1 << 32) {
            return Err(wrong("count", "the decoded view would be larger than 4 GiB"));
        }
        Ok(Self { buffer, offset, length, stride: stride as usize, count: count as usize, mode, filter })
    }

    pub(super) fn decoded_length(&self) -> usize {
        self.stride * self.count
    }
}

/// Bytes of one element; an array type of its own because only short arrays have a default.
#[derive(Clone, Copy)]
struct Element<const N: usize>([u8; N]);

impl<const N: usize> Default for Element<N> {
    fn default() -> Self {
        Self([0; N])
    }
}

/// Decodes a view; the result has exactly the stated length.
pub(super) fn decode_meshopt(view: &Meshopt, encoded: &[u8]) -> Result<Vec<u8>, String> {
    let failed = |error: meshopt::Error| format!("the compressed data cannot be decoded: {error}");
    let mut bytes = match (view.mode, view.stride) {
        (Mode::Attributes, stride) => decode_vertices(encoded, view.count, stride).map_err(failed)?,
        (Mode::Triangles, 2) => meshopt::decode_index_buffer::<u16>(encoded, view.count)
            .map_err(failed)?
            .into_iter()
            .flat_map(u16::to_le_bytes)
            .collect(),
        (Mode::Triangles, _) => meshopt::decode_index_buffer::<u32>(encoded, view.count)
            .map_err(failed)?
            .into_iter()
            .flat_map(u32::to_le_bytes)
            .collect(),
        (Mode::Indices, 2) => meshopt::decode_index_sequence::<u16>(encoded, view.count)
            .map_err(failed)?
            .into_iter()
            .flat_map(u16::to_le_bytes)
            .collect(),
        (Mode::Indices, _) => meshopt::decode_index_sequence::<u32>(encoded, view.count)
            .map_err(failed)?
            .into_iter()
            .flat_map(u32::to_le_bytes)
            .collect(),
    };
    match view.filter {
        // Octahedral data are normals and tangents, which are not read.
        Filter::None | Filter::Octahedral => {}
        Filter::Quaternion => {
            let mut turns: Vec<[i16; 4]> = bytes
                .chunks_exact(8)
                .map(|b| [0, 2, 4, 6].map(|at| i16::from_le_bytes([b[at], b[at + 1]])))
                .collect();
            meshopt::decode_filter_quat(&mut turns);
            bytes = turns.into_iter().flatten().flat_map(i16::to_le_bytes).collect();
        }
        Filter::Exponential => {
            let mut words: Vec<[u32; 1]> =
                bytes.chunks_exact(4).map(|b| [u32::from_le_bytes([b[0], b[1], b[2], b[3]])]).collect();
            meshopt::decode_filter_exp(&mut words);
            bytes = words.into_iter().flatten().flat_map(u32::to_le_bytes).collect();
        }
    }
    if bytes.len() == view.decoded_length() { Ok(bytes) } else { Err("the decoded length differs".into()) }
}

fn decode_vertices(encoded: &[u8], count: usize, stride: usize) -> Result<Vec<u8>, meshopt::Error> {
    macro_rules! by_stride {
        ($($n:literal)*) => {
            match stride {
                $($n => {
                    let list = meshopt::decode_vertex_buffer::<Element<$n>>(encoded, count)?;
                    Ok(list.iter().flat_map(|element| element.0).collect())
                })*
                _ => Ok(Vec::new()),
            }
        };
    }
    by_stride!(
        4 8 12 16 20 24 28 32 36 40 44 48 52 56 60 64 68 72 76 80 84 88 92 96 100 104 108 112 116 120 124 128 132 136
        140 144 148 152 156 160 164 168 172 176 180 184 188 192 196 200 204 208 212 216 220 224 228 232 236 240 244 248
        252 256
    )
}

/// A decoded Draco mesh.
pub(super) struct Draco {
    mesh: Mesh,
}

impl Draco {
    /// Decodes under limits; a panic of the decoder is the upload's fault as well.
    pub(super) fn decode(bytes: &[u8], limits: &Limits) -> Result<Self, String> {
        let outcome = catch_unwind(AssertUnwindSafe(|| {
            let bounds = DecodeLimits::default()
                .with_max_points(limits.vertices)
                .with_max_faces(limits.indices / 3)
                .with_max_decoded_bytes(
                    limits.decoded_bytes.min((bytes.len() as u64).saturating_mul(4096).max(1 << 20)),
                );
            let mut buffer = DecoderBuffer::new(bytes).with_limits(bounds);
            let mut mesh = Mesh::new();
            MeshDecoder::new()
                .decode(&mut buffer, &mut mesh)
                .map(|()| mesh)
                .map_err(|error| error.to_string())
        }));
        match outcome {
            Ok(Ok(mesh)) => Ok(Self { mesh }),
            Ok(Err(error)) => Err(format!("the compressed mesh cannot be decoded: {error}")),
            Err(_) => Err("the compressed mesh cannot be decoded".into()),
        }
    }

    pub(super) fn points(&self) -> usize {
        self.mesh.num_points()
    }

    pub(super) fn triangles(&self) -> Vec<[u32; 3]> {
        self.mesh.faces().iter().map(|face| face.map(|point| point.0)).collect()
    }

    /// An attribute by its id, `N` numbers a point as stored (integers not normalised), and whether it is u8 or u16.
    pub(super) fn attribute<const N: usize>(&self, id: u64) -> Option<(Vec<[f32; N]>, Option<f32>)> {
        let attribute = self.mesh.attribute_by_unique_id(u32::try_from(id).ok()?)?;
        let most = match attribute.data_type() {
            draco_core::DataType::Uint8 => Some(255.0),
            draco_core::DataType::Uint16 => Some(65_535.0),
            _ => None,
        };
        let flat = attribute.read_f32s(self.points(), N);
        let rows = flat.chunks_exact(N).filter_map(|row| <[f32; N]>::try_from(row).ok()).collect();
        Some((rows, most))
    }
}
