//! Influences as clean rows: each joint once, weights above zero that add up to one, sorted by joint.
//!
//! What a file does wrong is counted here once, vertex by vertex; a row that another check calls broken (not a number,
//! infinite, a joint outside the skin, no weight) is empty, so that nothing follows from it.

use rayon::prelude::*;

use super::surface::{Part, Surface};
use super::weld::NOWHERE;
use crate::facts::{Facts, Group};
use crate::model::{JointId, Primitive, Skin};

/// Vertices per unit of parallel work.
const CHUNK: usize = 8_192;
/// Copies of a vertex that are merged where they differ.
const MOST_COPIES: usize = 64;
/// Weights below this share are dust.
pub const DUST: f32 = 0.005;

/// One joint's share of a vertex.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Influence {
    /// The joint.
    pub joint: JointId,
    /// Its share, above 0, at most 1.
    pub weight: f32,
}

/// What is wrong with the influences of one part.
#[derive(Debug, Clone, Default)]
pub struct RowScan {
    /// Vertices with a weight below zero or infinite; worst is how far below.
    pub negative: Group,
    /// Of those, vertices with an infinite one.
    pub infinite: u64,
    /// Vertices that name a joint twice with weight; worst is the smaller weight.
    pub duplicate: Group,
    /// The most influences on one vertex, each joint counted once.
    pub most: u32,
    /// Vertices with dust.
    pub dusty: Group,
    /// Influences that are dust.
    pub dust: u64,
    /// Vertices with a clean row.
    pub clean: u64,
}

impl RowScan {
    fn merge(&mut self, later: &Self) {
        self.negative.merge(&later.negative);
        self.infinite += later.infinite;
        self.duplicate.merge(&later.duplicate);
        self.most = self.most.max(later.most);
        self.dusty.merge(&later.dusty);
        self.dust += later.dust;
        self.clean += later.clean;
    }
}

/// The rows of a surface.
#[derive(Debug)]
pub struct Skinning {
    starts: Vec<u32>,
    rows: Vec<Influence>,
    /// Where the row of a point is: a vertex' own, or one merged from its copies at the end of the list.
    spans: Vec<(u32, u32)>,
    /// The joint with the largest weight, by point; `u32::MAX` where none has any.
    pub dominant: Vec<u32>,
    /// What is wrong, by part; `None` for parts that no skin moves.
    pub scans: Vec<Option<RowScan>>,
}

impl Skinning {
    pub(crate) fn new(facts: &Facts<'_>, surface: &Surface) -> Self {
        let rig = facts.rig();
        let mut starts = Vec::with_capacity(surface.positions.len() + 1);
        starts.push(0);
        let mut rows = Vec::new();
        let mut scans = Vec::with_capacity(surface.parts.len());
        for part in &surface.parts {
            let primitive = &rig.meshes[part.mesh.index()].primitives[part.primitive as usize];
            let skin = part.skin.filter(|_| !primitive.influences.is_empty());
            let Some(skin) = skin.map(|skin| &rig.skins[skin.index()]) else {
                starts.resize(starts.len() + part.vertices as usize, rows.len() as u32);
                scans.push(None);
                continue;
            };
            let chunks: Vec<usize> = (0..part.vertices as usize).step_by(CHUNK).collect();
            let done: Vec<Chunk> = chunks
                .into_par_iter()
                .map(|start| Chunk::read(primitive, skin, start, (start + CHUNK).min(part.vertices as usize)))
                .collect();
            let mut scan = RowScan::default();
            for chunk in &done {
                scan.merge(&chunk.scan);
                let mut at = rows.len() as u32;
                starts.extend(chunk.lengths.iter().map(|length| {
                    at += u32::from(*length);
                    at
                }));
                rows.extend_from_slice(&chunk.rows);
            }
            scans.push(Some(scan));
        }
        let mut this = Self { starts, rows, spans: Vec::new(), dominant: Vec::new(), scans };
        this.find_spans(surface);
        this.dominant = (0..surface.points.len() as u32)
            .into_par_iter()
            .map(|point| {
                let strongest = |best: Option<Influence>, next: &Influence| {
                    best.filter(|best| best.weight >= next.weight).or(Some(*next))
                };
                this.point_row(point).iter().fold(None, strongest).map_or(NOWHERE, |best| best.joint.0)
            })
            .collect();
        this
    }

    /// The influences of a vertex, sorted by joint; empty where nothing can be said.
    pub fn row(&self, vertex: u32) -> &[Influence] {
        let vertex = vertex as usize;
        &self.rows[self.starts[vertex] as usize..self.starts[vertex + 1] as usize]
    }

    /// The influences at a point. Where copies of a vertex differ, each joint has its largest share over the copies,
    /// so that what is wrong with one of them is not hidden by the others.
    pub fn point_row(&self, point: u32) -> &[Influence] {
        &self.rows[self.point_slots(point)]
    }

    /// Where the row of a point is among all rows: for numbering influences.
    pub(super) fn point_slots(&self, point: u32) -> std::ops::Range<usize> {
        let (from, to) = self.spans[point as usize];
        from as usize..to as usize
    }

    fn span(&self, vertex: u32) -> (u32, u32) {
        (self.starts[vertex as usize], self.starts[vertex as usize + 1])
    }

    fn find_spans(&mut self, surface: &Surface) {
        let mut merged: Vec<Influence> = Vec::new();
        for point in 0..surface.points.len() as u32 {
            let members = surface.members(point);
            let mut rows = members.iter().filter(|vertex| !self.row(**vertex).is_empty());
            let Some(first) = rows.next() else {
                self.spans.push((0, 0));
                continue;
            };
            if rows.clone().all(|other| self.row(*other) == self.row(*first)) {
                self.spans.push(self.span(*first));
                continue;
            }
            merged.clear();
            for vertex in members.iter().take(MOST_COPIES) {
                merged.extend_from_slice(self.row(*vertex));
            }
            merged.sort_unstable_by(|a, b| a.joint.cmp(&b.joint).then(b.weight.total_cmp(&a.weight)));
            merged.dedup_by_key(|one| one.joint);
            let sum: f32 = merged.iter().map(|one| one.weight).sum();
            let from = self.rows.len() as u32;
            self.rows.extend(merged.iter().map(|one| Influence { weight: one.weight / sum, ..*one }));
            self.spans.push((from, self.rows.len() as u32));
        }
    }

    /// All influences: of vertices in their order, then merged ones.
    pub(super) fn all(&self) -> &[Influence] {
        &self.rows
    }

    /// A joint's share of a vertex.
    pub fn weight(&self, vertex: u32, joint: JointId) -> f32 {
        self.row(vertex).iter().find(|one| one.joint == joint).map_or(0.0, |one| one.weight)
    }
}

/// Half the sum of absolute differences: 0 for equal rows, 1 for rows that share no joint.
pub fn difference(a: &[Influence], b: &[Influence]) -> f32 {
    let (mut at, mut of, mut sum) = (0, 0, 0.0);
    loop {
        match (a.get(at), b.get(of)) {
            (Some(left), Some(right)) if left.joint == right.joint => {
                sum += (left.weight - right.weight).abs();
                at += 1;
                of += 1;
            }
            (Some(left), right) if right.is_none_or(|right| left.joint < right.joint) => {
                sum += left.weight;
                at += 1;
            }
            (_, Some(right)) => {
                sum += right.weight;
                of += 1;
            }
            _ => return sum / 2.0,
        }
    }
}

/// The first vertices of a part, for findings.
pub fn part_vertices(part: &Part) -> std::ops::Range<u32> {
    part.first_vertex..part.first_vertex + part.vertices
}

struct Chunk {
    scan: RowScan,
    lengths: Vec<u16>,
    rows: Vec<Influence>,
}

impl Chunk {
    fn read(primitive: &Primitive, skin: &Skin, start: usize, end: usize) -> Self {
        let mut chunk = Self {
            scan: RowScan::default(),
            lengths: Vec::with_capacity(end - start),
            rows: Vec::with_capacity((end - start) * 3),
        };
        for vertex in start..end {
            let before = chunk.rows.len();
            chunk.read_vertex(primitive, skin, vertex);
            chunk.lengths.push((chunk.rows.len() - before) as u16);
        }
        chunk
    }

    fn read_vertex(&mut self, primitive: &Primitive, skin: &Skin, vertex: usize) {
        let begin = self.rows.len();
        let (mut least, mut sum) = (0.0_f32, 0.0_f32);
        let (mut broken, mut infinite, mut nan) = (false, false, false);
        for set in &primitive.influences {
            let (Some(joints), Some(weights)) = (set.joints.get(vertex), set.weights.get(vertex)) else {
                continue;
            };
            for (joint, weight) in joints.iter().zip(weights) {
                if *weight == 0.0 {
                    continue;
                }
                least = least.min(*weight);
                infinite |= weight.is_infinite();
                nan |= weight.is_nan();
                match skin.joints.get(usize::from(*joint)) {
                    Some(joint) if weight.is_finite() => {
                        if *weight > 0.0 {
                            sum += weight;
                            self.rows.push(Influence { joint: *joint, weight: *weight });
                        }
                    }
                    _ => broken = true,
                }
            }
        }
        if (least < 0.0 || infinite) && !nan {
            self.scan.negative.add(vertex as u32, f64::from(-least.max(f32::MIN)));
            self.scan.infinite += u64::from(infinite);
        }
        // Rows longer than a u16 cannot be written down; no file has sixteen thousand sets.
        if broken || !(sum > 0.0 && sum.is_finite()) || self.rows.len() - begin > usize::from(u16::MAX) {
            self.rows.truncate(begin);
            return;
        }
        self.tidy(begin, vertex, 1.0 / sum);
    }

    /// Sorts, merges and normalises the row that begins at `begin`.
    fn tidy(&mut self, begin: usize, vertex: usize, scale: f32) {
        self.rows[begin..].sort_unstable_by_key(|one| one.joint);
        let (mut kept, mut twice, mut dust) = (begin, 0.0_f32, 0);
        for at in begin..self.rows.len() {
            let one = self.rows[at];
            if kept > begin && self.rows[kept - 1].joint == one.joint {
                twice = twice.max(self.rows[kept - 1].weight.min(one.weight));
                self.rows[kept - 1].weight += one.weight;
            } else {
                self.rows[kept] = one;
                kept += 1;
            }
        }
        self.rows.truncate(kept);
        for one in &mut self.rows[begin..] {
            one.weight *= scale;
            dust += u64::from(one.weight < DUST);
        }
        if twice > 0.0 {
            self.scan.duplicate.add(vertex as u32, f64::from(twice));
        }
        if dust > 0 {
            self.scan.dusty.add(vertex as u32, dust as f64);
            self.scan.dust += dust;
        }
        self.scan.most = self.scan.most.max((kept - begin) as u32);
        self.scan.clean += 1;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_differ_by_half_the_moved_weight() {
        let row = |list: &[(u32, f32)]| -> Vec<Influence> {
            list.iter().map(|(joint, weight)| Influence { joint: JointId(*joint), weight: *weight }).collect()
        };
        let (a, b) = (row(&[(1, 0.5), (3, 0.5)]), row(&[(1, 0.25), (2, 0.25), (3, 0.5)]));
        assert!((difference(&a, &b) - 0.25).abs() < 1e-6);
        assert!((difference(&a, &row(&[(0, 1.0)])) - 1.0).abs() < 1e-6);
        assert!(difference(&b, &b) < 1e-6);
    }
}
