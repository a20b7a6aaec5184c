//! A mesh as one surface: its primitives' vertices, those at one place welded.

use std::collections::BTreeMap;

use crate::model::Mesh;

/// The welded surface of a mesh.
pub(super) struct Surface {
    /// The first vertex number of each primitive.
    starts: Vec<usize>,
    /// The place of each vertex.
    pub(super) place: Vec<u32>,
    /// The position of each place, mesh space.
    pub(super) points: Vec<[f32; 3]>,
    /// Neighbours along edges: of place p, `near[first[p]..first[p + 1]]`.
    first: Vec<u32>,
    near: Vec<u32>,
}

impl Surface {
    pub(super) fn new(mesh: &Mesh) -> Self {
        let mut starts = Vec::with_capacity(mesh.primitives.len());
        let mut places: BTreeMap<[u32; 3], u32> = BTreeMap::new();
        let (mut place, mut points) = (Vec::new(), Vec::new());
        for primitive in &mesh.primitives {
            starts.push(place.len());
            for position in &primitive.positions {
                // Minus zero is zero.
                let key = position.map(|c| (c + 0.0).to_bits());
                let next = points.len() as u32;
                let at = *places.entry(key).or_insert(next);
                if at == next {
                    points.push(*position);
                }
                place.push(at);
            }
        }
        let mut edges: Vec<(u32, u32)> = Vec::new();
        for (primitive, start) in mesh.primitives.iter().zip(&starts) {
            let count = primitive.positions.len();
            for triangle in &primitive.triangles {
                if triangle.iter().any(|corner| *corner as usize >= count) {
                    continue;
                }
                let [a, b, c] = triangle.map(|corner| place[start + corner as usize]);
                edges.extend([(a, b), (b, a), (b, c), (c, b), (c, a), (a, c)]);
            }
        }
        edges.retain(|(a, b)| a != b);
        edges.sort_unstable();
        edges.dedup();
        let mut first = vec![0_u32; points.len() + 1];
        for (a, _) in &edges {
            first[*a as usize + 1] += 1;
        }
        for at in 0..points.len() {
            first[at + 1] += first[at];
        }
        Self { starts, place, points, first, near: edges.into_iter().map(|(_, b)| b).collect() }
    }

    /// The number of a primitive's vertex, if there is one.
    pub(super) fn vertex(&self, primitive: usize, vertex: usize) -> Option<usize> {
        let start = *self.starts.get(primitive)?;
        let end = self.starts.get(primitive + 1).copied().unwrap_or(self.place.len());
        let at = start.checked_add(vertex)?;
        (at < end).then_some(at)
    }

    /// The places next to a place.
    pub(super) fn near(&self, place: u32) -> &[u32] {
        &self.near[self.first[place as usize] as usize..self.first[place as usize + 1] as usize]
    }

    /// The shell of every place, as the least place of it.
    pub(super) fn shells(&self) -> Vec<u32> {
        let mut shell = vec![u32::MAX; self.points.len()];
        let mut open = Vec::new();
        for start in 0..self.points.len() as u32 {
            if shell[start as usize] != u32::MAX {
                continue;
            }
            shell[start as usize] = start;
            open.push(start);
            while let Some(at) = open.pop() {
                for next in self.near(at) {
                    if shell[*next as usize] == u32::MAX {
                        shell[*next as usize] = start;
                        open.push(*next);
                    }
                }
            }
        }
        shell
    }

    /// The length of an edge.
    pub(super) fn length(&self, a: u32, b: u32) -> f64 {
        let [a, b] = [a, b].map(|p| glam::DVec3::from(self.points[p as usize].map(f64::from)));
        a.distance(b)
    }
}
