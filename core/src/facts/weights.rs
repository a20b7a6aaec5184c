//! One pass over all weights: what the skin checks need, and which joints deform (D4).

use std::ops::Range;

use rayon::prelude::*;

use crate::model::{JointId, MeshId, Primitive, Rig, Skin, SkinId, WeightStorage};

/// Vertices listed as evidence per group.
const LISTED: usize = 8;
/// Vertices per unit of parallel work.
const CHUNK: usize = 8_192;
/// Up to so many vertices are not worth waking threads for.
const ALONE: usize = 32_768;
/// Chunks scanned at one time: that many lists as long as the skin are in memory.
const AT_ONCE: usize = 32;
/// A weight that counts (D4).
const COUNTS: f32 = 0.01;

/// Vertices with one fault.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Group {
    /// How many.
    pub count: u64,
    /// The first few, by vertex number.
    pub first: Vec<u32>,
    /// The worst deviation (in the fault's own measure).
    pub worst: f64,
}

impl Group {
    pub(crate) fn add(&mut self, vertex: u32, deviation: f64) {
        self.count += 1;
        if self.first.len() < LISTED {
            self.first.push(vertex);
        }
        self.worst = self.worst.max(deviation);
    }

    pub(crate) fn merge(&mut self, later: &Self) {
        self.count += later.count;
        let room = LISTED - self.first.len();
        self.first.extend(later.first.iter().take(room));
        self.worst = self.worst.max(later.worst);
    }
}

/// What one primitive's weights look like under one skin.
#[derive(Debug, Clone, Default)]
pub struct WeightScan {
    /// Vertices with influence data.
    pub vertices: u64,
    /// No influence, or a row with NaN.
    pub unweighted: Group,
    /// Of those, rows with NaN.
    pub not_a_number: u64,
    /// Float sums off one by more than the standard's tolerance (2e-7 per non-zero weight); worst is |Σ−1|.
    pub sum_note: Group,
    /// … by more than 1e-3.
    pub sum_warning: Group,
    /// … by more than 0.01.
    pub sum_error: Group,
    /// Integer sums that are not exactly 255 or 65535; worst in units of the last place.
    pub sum_integer: Group,
    /// Of the vertices in `sum_warning` and `sum_error`, how many have Σw² = 1 within 1e-5.
    pub unit_length: u64,
    /// Joint index outside the skin; worst is the largest index.
    pub bad_joint: Group,
    /// Index not zero under a zero weight.
    pub unused_slot: u64,
}

impl WeightScan {
    fn merge(&mut self, later: &Self) {
        self.vertices += later.vertices;
        self.not_a_number += later.not_a_number;
        self.unit_length += later.unit_length;
        self.unused_slot += later.unused_slot;
        self.unweighted.merge(&later.unweighted);
        self.sum_note.merge(&later.sum_note);
        self.sum_warning.merge(&later.sum_warning);
        self.sum_error.merge(&later.sum_error);
        self.sum_integer.merge(&later.sum_integer);
        self.bad_joint.merge(&later.bad_joint);
    }
}

/// How much skin a joint moves.
#[derive(Debug, Clone, Copy, Default)]
pub struct JointLoad {
    /// Vertices with a normalised weight above 0.01, seam copies counted apart.
    pub vertices: u64,
    /// Vertices with any weight above zero.
    pub any: u64,
    places: [[f32; 3]; 3],
    distinct: u8,
}

impl JointLoad {
    /// At least three vertices at different places (D4).
    pub fn deforms(&self) -> bool {
        self.distinct >= 3
    }

    fn add(&mut self, place: Option<[f32; 3]>) {
        self.any += 1;
        if let Some(place) = place {
            self.vertices += 1;
            self.place(place);
        }
    }

    fn place(&mut self, place: [f32; 3]) {
        let known = usize::from(self.distinct);
        if known < 3 && !self.places[..known].iter().any(|seen| same(seen, &place)) {
            self.places[known] = place;
            self.distinct += 1;
        }
    }

    fn merge(&mut self, later: &Self) {
        self.vertices += later.vertices;
        self.any += later.any;
        for place in &later.places[..usize::from(later.distinct)] {
            self.place(*place);
        }
    }
}

fn same(a: &[f32; 3], b: &[f32; 3]) -> bool {
    a.map(f32::to_bits) == b.map(f32::to_bits)
}

/// One mesh under one skin.
#[derive(Debug)]
pub struct Drawn {
    /// The mesh.
    pub mesh: MeshId,
    /// The skin.
    pub skin: SkinId,
    /// One scan per primitive; `None` where it has no influences.
    pub scans: Vec<Option<WeightScan>>,
}

/// Everything the weights say.
#[derive(Debug)]
pub struct Weights {
    /// Each mesh under each skin that draws it, once.
    pub drawn: Vec<Drawn>,
    /// One per joint.
    pub loads: Vec<JointLoad>,
}

impl Weights {
    pub(super) fn new(rig: &Rig) -> Self {
        let mut pairs: Vec<(MeshId, SkinId)> =
            rig.nodes.iter().filter_map(|node| Some((node.mesh?, node.skin?))).collect();
        pairs.sort_unstable();
        pairs.dedup();
        let mut loads = vec![JointLoad::default(); rig.joints.len()];
        let drawn = pairs
            .into_iter()
            .map(|(mesh, skin)| {
                let joints = &rig.skins[skin.index()];
                let scans = rig.meshes[mesh.index()]
                    .primitives
                    .iter()
                    .map(|primitive| {
                        (!primitive.influences.is_empty()).then(|| scan(primitive, joints, &mut loads))
                    })
                    .collect();
                Drawn { mesh, skin, scans }
            })
            .collect();
        Self { drawn, loads }
    }

    /// What a joint moves.
    pub fn load(&self, joint: JointId) -> &JointLoad {
        &self.loads[joint.index()]
    }
}

/// Scans in chunks; chunks are merged in order, so the result does not depend on the number of threads.
fn scan(primitive: &Primitive, skin: &Skin, loads: &mut [JointLoad]) -> WeightScan {
    let count = primitive
        .influences
        .iter()
        .map(|set| set.joints.len().min(set.weights.len()))
        .min()
        .unwrap_or(0)
        .min(primitive.positions.len());
    if count <= ALONE {
        // No list of its own: a file can hold a hundred thousand small primitives under a skin of thousands of joints.
        return scan_chunk(primitive, skin, 0..count, |slot, place| {
            if let Some(joint) = skin.joints.get(slot) {
                loads[joint.index()].add(place);
            }
        });
    }
    let starts: Vec<usize> = (0..count).step_by(CHUNK).collect();
    let mut whole = WeightScan::default();
    // Only so many chunks have their lists of joints at one time.
    for starts in starts.chunks(AT_ONCE) {
        let parts: Vec<(WeightScan, Vec<JointLoad>)> = starts
            .par_iter()
            .map(|start| {
                let mut moved = vec![JointLoad::default(); skin.joints.len()];
                let range = *start..(start + CHUNK).min(count);
                let scan = scan_chunk(primitive, skin, range, |slot, place| {
                    if let Some(load) = moved.get_mut(slot) {
                        load.add(place);
                    }
                });
                (scan, moved)
            })
            .collect();
        for (part, moved) in &parts {
            whole.merge(part);
            for (joint, load) in skin.joints.iter().zip(moved) {
                loads[joint.index()].merge(load);
            }
        }
    }
    whole
}

/// Scans some vertices; `moves` is told each slot with a weight above zero, and the place where the weight counts.
fn scan_chunk(
    primitive: &Primitive,
    skin: &Skin,
    range: Range<usize>,
    mut moves: impl FnMut(usize, Option<[f32; 3]>),
) -> WeightScan {
    let mut scan = WeightScan { vertices: range.len() as u64, ..WeightScan::default() };
    // The sets' common storage decides how sums are judged; mixed storage is judged as float.
    let storage = primitive.influences[0].storage;
    let storage = if primitive.influences.iter().all(|set| set.storage == storage) {
        storage
    } else {
        WeightStorage::Float
    };
    for vertex in range {
        let (mut sum, mut squares, mut used, mut raw) = (0.0_f64, 0.0_f64, 0_u32, 0_i64);
        let mut negative = false;
        for set in &primitive.influences {
            for (joint, weight) in set.joints[vertex].iter().zip(set.weights[vertex]) {
                if usize::from(*joint) >= skin.joints.len() {
                    scan.bad_joint.add(vertex as u32, f64::from(*joint));
                }
                if weight == 0.0 {
                    scan.unused_slot += u64::from(*joint != 0);
                } else {
                    used += 1;
                    negative |= weight < 0.0;
                    let wide = f64::from(weight);
                    sum += wide;
                    squares += wide * wide;
                    raw += match storage {
                        WeightStorage::Float => 0,
                        WeightStorage::Unorm8 => (wide * 255.0).round() as i64,
                        WeightStorage::Unorm16 => (wide * 65_535.0).round() as i64,
                    };
                }
            }
        }
        if used == 0 || sum.is_nan() {
            scan.unweighted.add(vertex as u32, 0.0);
            scan.not_a_number += u64::from(used > 0);
            continue;
        }
        let whole = match storage {
            WeightStorage::Float => None,
            WeightStorage::Unorm8 => Some(255),
            WeightStorage::Unorm16 => Some(65_535),
        };
        if negative || sum.is_infinite() {
            // Told as such a weight; a sum that is wrong because of it is no second fault.
        } else if let Some(whole) = whole {
            if raw != whole {
                scan.sum_integer.add(vertex as u32, (raw - whole).abs() as f64);
            }
        } else {
            let off = (sum - 1.0).abs();
            if off > 1e-3 {
                let group = if off > 0.01 { &mut scan.sum_error } else { &mut scan.sum_warning };
                group.add(vertex as u32, off);
                // Weights of unit length add up to more than one; a negative weight can have the squares alone.
                scan.unit_length += u64::from(sum > 1.0 && (squares - 1.0).abs() < 1e-5);
            } else if off > 2e-7 * f64::from(used) {
                scan.sum_note.add(vertex as u32, off);
            }
        }
        let least = (f64::from(COUNTS) * sum) as f32;
        for set in &primitive.influences {
            for (joint, weight) in set.joints[vertex].iter().zip(set.weights[vertex]) {
                if weight > 0.0 {
                    let place = (weight > least).then(|| primitive.positions[vertex]);
                    moves(usize::from(*joint), place);
                }
            }
        }
    }
    scan
}
