//! All skin of a rig in bind space (D1, D14): vertices, welded points, triangles, shells, edges.
//!
//! Flat arrays only; vertex numbers run through all parts, point numbers through all welded places. A mesh under one
//! skin is there once, however many nodes draw it so; a mesh carried by joints is there once per node.

use std::collections::BTreeMap;
use std::sync::OnceLock;

use glam::DVec3;
use rayon::prelude::*;

use super::sets::{join, root};
use super::starts::sum_up;
use super::weld::{NOWHERE, weld};
use crate::facts::{Facts, carrier, drawn, place_at_bind};
use crate::model::{JointId, MeshId, NodeId, Rig, SkinId};

/// Vertices of one surface: a carried mesh can be drawn by thousands of nodes.
const MOST_VERTICES: usize = 16_000_000;
/// Triangles of one surface.
const MOST_TRIANGLES: usize = 32_000_000;
/// Welding distance, fraction of S.
const WELD: f64 = 1e-5;

/// One primitive where it stands.
#[derive(Debug, Clone)]
pub struct Part {
    /// The node that draws it; the first one, for a skinned mesh.
    pub node: NodeId,
    /// The mesh.
    pub mesh: MeshId,
    /// The primitive of the mesh.
    pub primitive: u32,
    /// The skin that moves it.
    pub skin: Option<SkinId>,
    /// The joint that carries it, if no skin does.
    pub carrier: Option<JointId>,
    /// The number of its vertex 0.
    pub first_vertex: u32,
    /// How many it has.
    pub vertices: u32,
    /// The number of its first triangle.
    pub first_triangle: u32,
    /// How many it has; those that point past the vertices or at no finite place are left out.
    pub triangles: u32,
}

/// Points that triangles connect.
#[derive(Debug, Clone, Copy)]
pub struct Shell {
    /// Square metres.
    pub area: f64,
    /// Points.
    pub points: u32,
    /// Triangles.
    pub triangles: u32,
    /// Lowest corner of its box, metres.
    pub low: DVec3,
    /// Highest corner.
    pub high: DVec3,
}

/// A triangle's side, filed under its lower point.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Half {
    /// The higher point.
    pub to: u32,
    /// Triangle · 3 + k: the side runs from corner k to corner k + 1.
    pub corner: u32,
}

/// Edges between points.
#[derive(Debug)]
pub struct Edges {
    /// Where each point's neighbours begin.
    starts: Vec<u32>,
    neighbours: Vec<u32>,
    /// Where each point's sides begin.
    half_starts: Vec<u32>,
    halves: Vec<Half>,
}

impl Edges {
    /// The points next to a point, ascending.
    pub fn neighbours(&self, point: u32) -> &[u32] {
        &self.neighbours[self.starts[point as usize] as usize..self.starts[point as usize + 1] as usize]
    }

    /// Sides of triangles between this point and higher ones, sorted by the other end.
    pub fn halves(&self, point: u32) -> &[Half] {
        &self.halves[self.half_starts[point as usize] as usize..self.half_starts[point as usize + 1] as usize]
    }
}

/// The skin of a rig at bind.
#[derive(Debug)]
pub struct Surface {
    /// The primitives, skinned ones and carried ones.
    pub parts: Vec<Part>,
    /// Vertices at bind, metres, rig frame; not finite where the file's are not.
    pub positions: Vec<DVec3>,
    /// Corners as vertex numbers, all of them in range and at finite places.
    pub triangles: Vec<[u32; 3]>,
    /// The point of each vertex; `u32::MAX` where its position is not finite.
    pub point_of: Vec<u32>,
    /// Points: where the first vertex of each stands.
    pub points: Vec<DVec3>,
    /// Shells, numbered by their lowest point.
    pub shells: Vec<Shell>,
    /// The shell of each point; `u32::MAX` for points that no triangle uses.
    pub shell_of: Vec<u32>,
    /// Triangles left out because a corner points past the vertices.
    pub out_of_range: u64,
    /// Triangles left out because a corner is at no finite place.
    pub not_finite: u64,
    /// Primitives left out because the surface would be too large.
    pub left_out: u64,
    member_starts: Vec<u32>,
    members: Vec<u32>,
    edges: OnceLock<Edges>,
}

impl Surface {
    pub(crate) fn new(facts: &Facts<'_>) -> Self {
        let mut this = Self {
            parts: Vec::new(),
            positions: Vec::new(),
            triangles: Vec::new(),
            point_of: Vec::new(),
            points: Vec::new(),
            shells: Vec::new(),
            shell_of: Vec::new(),
            out_of_range: 0,
            not_finite: 0,
            left_out: 0,
            member_starts: Vec::new(),
            members: Vec::new(),
            edges: OnceLock::new(),
        };
        this.gather(facts);
        let size = facts.size();
        let extent = (size.high - size.low).max_element().max(0.0);
        (this.point_of, this.points) = weld(&this.positions, size.low, extent, WELD * facts.s());
        this.file_members();
        this.find_shells();
        this
    }

    fn gather(&mut self, facts: &Facts<'_>) {
        let rig = facts.rig();
        for (node, mesh, skin) in instances(rig) {
            let place = place_at_bind(facts, node);
            let carrier = if skin.is_some() { None } else { carrier(rig, node) };
            for (index, primitive) in rig.meshes[mesh.index()].primitives.iter().enumerate() {
                let count = primitive.positions.len();
                if self.positions.len() + count > MOST_VERTICES
                    || self.triangles.len() + primitive.triangles.len() > MOST_TRIANGLES
                {
                    self.left_out += 1;
                    continue;
                }
                let first_vertex = self.positions.len() as u32;
                if primitive.morph_positions.is_empty() {
                    let places = primitive.positions.par_iter();
                    self.positions
                        .par_extend(places.map(|p| place.transform_point3(DVec3::from(p.map(f64::from)))));
                } else {
                    let morphs = rig.morphs(node, mesh);
                    let displaced = (0..count).into_par_iter().map(|v| primitive.place(v, morphs));
                    self.positions
                        .par_extend(displaced.map(|p| place.transform_point3(p.unwrap_or(DVec3::NAN))));
                }
                let first_triangle = self.triangles.len() as u32;
                for corners in &primitive.triangles {
                    if corners.iter().any(|corner| *corner as usize >= count) {
                        self.out_of_range += 1;
                        continue;
                    }
                    let corners = corners.map(|corner| corner + first_vertex);
                    if corners.iter().all(|corner| self.positions[*corner as usize].is_finite()) {
                        self.triangles.push(corners);
                    } else {
                        self.not_finite += 1;
                    }
                }
                self.parts.push(Part {
                    node,
                    mesh,
                    primitive: index as u32,
                    skin,
                    carrier,
                    first_vertex,
                    vertices: count as u32,
                    first_triangle,
                    triangles: self.triangles.len() as u32 - first_triangle,
                });
            }
        }
    }

    fn file_members(&mut self) {
        let mut starts = vec![0_u32; self.points.len() + 1];
        for point in self.point_of.iter().filter(|point| **point != NOWHERE) {
            starts[*point as usize] += 1;
        }
        sum_up(&mut starts);
        let mut next = starts.clone();
        let mut members = vec![0; starts.last().copied().unwrap_or(0) as usize];
        for (vertex, point) in self.point_of.iter().enumerate().filter(|(_, point)| **point != NOWHERE) {
            let place = &mut next[*point as usize];
            members[*place as usize] = vertex as u32;
            *place += 1;
        }
        (self.member_starts, self.members) = (starts, members);
    }

    fn find_shells(&mut self) {
        let mut up: Vec<u32> = (0..self.points.len() as u32).collect();
        let mut used = vec![false; self.points.len()];
        for triangle in &self.triangles {
            let [a, b, c] = triangle.map(|vertex| self.point_of[vertex as usize]);
            used[a as usize] = true;
            used[b as usize] = true;
            used[c as usize] = true;
            join(&mut up, a, b);
            join(&mut up, b, c);
        }
        self.shell_of = vec![NOWHERE; self.points.len()];
        for point in 0..self.points.len() as u32 {
            if !used[point as usize] {
                continue;
            }
            // The root is the lowest point of its shell, so it has been numbered before the others ask.
            let root = root(&mut up, point);
            if root == point {
                self.shell_of[point as usize] = self.shells.len() as u32;
                self.shells.push(Shell {
                    area: 0.0,
                    points: 0,
                    triangles: 0,
                    low: DVec3::INFINITY,
                    high: DVec3::NEG_INFINITY,
                });
            }
            let number = self.shell_of[root as usize];
            self.shell_of[point as usize] = number;
            let shell = &mut self.shells[number as usize];
            shell.points += 1;
            shell.low = shell.low.min(self.points[point as usize]);
            shell.high = shell.high.max(self.points[point as usize]);
        }
        for triangle in 0..self.triangles.len() {
            let corners = self.corner_points(triangle as u32);
            let [a, b, c] = corners.map(|point| self.points[point as usize]);
            let shell = &mut self.shells[self.shell_of[corners[0] as usize] as usize];
            shell.area += (b - a).cross(c - a).length() / 2.0;
            shell.triangles += 1;
        }
    }

    /// The vertices at a point, ascending.
    pub fn members(&self, point: u32) -> &[u32] {
        let starts = &self.member_starts[point as usize..];
        &self.members[starts[0] as usize..starts[1] as usize]
    }

    /// The vertices at some points by mesh and primitive, in the primitives' own numbers; skinned parts only.
    pub fn by_primitive(&self, points: &[u32]) -> BTreeMap<(MeshId, u32), Vec<u32>> {
        let mut out: BTreeMap<(MeshId, u32), Vec<u32>> = BTreeMap::new();
        for vertex in points.iter().flat_map(|point| self.members(*point)) {
            let part = &self.parts[self.part_of(*vertex)];
            if part.skin.is_some() {
                out.entry((part.mesh, part.primitive)).or_default().push(vertex - part.first_vertex);
            }
        }
        out
    }

    /// The part of the first vertex at a point.
    pub fn part_at(&self, point: u32) -> &Part {
        &self.parts[self.part_of(self.members(point)[0])]
    }

    /// A triangle's corners as points; two may be the same.
    pub fn corner_points(&self, triangle: u32) -> [u32; 3] {
        self.triangles[triangle as usize].map(|vertex| self.point_of[vertex as usize])
    }

    /// The part that a vertex belongs to.
    pub fn part_of(&self, vertex: u32) -> usize {
        self.parts.partition_point(|part| part.first_vertex <= vertex).saturating_sub(1)
    }

    /// The edges, found on first use.
    pub fn edges(&self) -> &Edges {
        self.edges.get_or_init(|| self.find_edges())
    }

    fn find_edges(&self) -> Edges {
        let count = self.points.len();
        let mut half_starts = vec![0_u32; count + 1];
        let sides = |triangle: usize| {
            let [a, b, c] = self.corner_points(triangle as u32);
            [(a, b), (b, c), (c, a)]
        };
        for triangle in 0..self.triangles.len() {
            for (from, to) in sides(triangle).into_iter().filter(|(from, to)| from != to) {
                half_starts[from.min(to) as usize] += 1;
            }
        }
        sum_up(&mut half_starts);
        let mut next = half_starts.clone();
        let mut halves = vec![Half { to: 0, corner: 0 }; half_starts.last().copied().unwrap_or(0) as usize];
        for triangle in 0..self.triangles.len() {
            for (k, (from, to)) in
                sides(triangle).into_iter().enumerate().filter(|(_, (from, to))| from != to)
            {
                let place = &mut next[from.min(to) as usize];
                halves[*place as usize] = Half { to: from.max(to), corner: (triangle * 3 + k) as u32 };
                *place += 1;
            }
        }
        let mut starts = vec![0_u32; count + 1];
        for point in 0..count {
            let list = &mut halves[half_starts[point] as usize..half_starts[point + 1] as usize];
            list.sort_unstable();
            for (at, half) in list.iter().enumerate() {
                if at == 0 || list[at - 1].to != half.to {
                    starts[point] += 1;
                    starts[half.to as usize] += 1;
                }
            }
        }
        sum_up(&mut starts);
        let mut next = starts.clone();
        let mut neighbours = vec![0; starts.last().copied().unwrap_or(0) as usize];
        // Lower ends ascend, so every list ends up ascending: first the lower neighbours, then the higher ones.
        for pass in 0..2 {
            for point in 0..count {
                let list = &halves[half_starts[point] as usize..half_starts[point + 1] as usize];
                for (at, half) in list.iter().enumerate() {
                    if at > 0 && list[at - 1].to == half.to {
                        continue;
                    }
                    let (owner, other) =
                        if pass == 0 { (half.to as usize, point as u32) } else { (point, half.to) };
                    neighbours[next[owner] as usize] = other;
                    next[owner] += 1;
                }
            }
        }
        Edges { starts, neighbours, half_starts, halves }
    }
}

/// Each mesh under each skin once, each carried mesh once per node, in the order of nodes.
fn instances(rig: &Rig) -> Vec<(NodeId, MeshId, Option<SkinId>)> {
    let mut seen = std::collections::BTreeSet::new();
    drawn(rig)
        .map(|(node, mesh)| (node, mesh, rig.nodes[node.index()].skin))
        .filter(|(_, mesh, skin)| skin.is_none_or(|skin| seen.insert((*mesh, skin))))
        .collect()
}

#[cfg(all(test, feature = "testing"))]
#[allow(clippy::unwrap_used, reason = "a test may fail loudly")]
mod tests {
    use super::*;
    use crate::intake::{Bundle, Limits, Upload, read};

    /// Two tubes of 16 rings and 5 sides: 80 vertices and 150 triangles each, of radius 0.04 and length 0.4.
    const EEL: &str = "gltf\njoint trunk at 0 0.2 0 parent none\njoint tail at 0 0.2 -0.4 tip 0 0.2 -0.8\n\
        body tubes radius 0.04 rings 16 sides 5\n";

    fn rig(text: &str) -> Rig {
        let bytes = crate::testing::build(text).unwrap();
        let model = Some(Upload { name: "eel", bytes: &bytes });
        read(&Bundle { model, ..Bundle::default() }, &Limits::default()).unwrap().rig
    }

    #[test]
    fn tubes_that_share_a_ring_are_one_shell() {
        let rig = rig(EEL);
        let facts = Facts::new(&rig);
        let surface = facts.surface();
        assert_eq!(surface.positions.len(), 160);
        assert_eq!(surface.points.len(), 155, "the ring in the middle is there twice");
        assert_eq!(surface.shells.len(), 1);
        assert_eq!(surface.shells[0].triangles, 300);
        // A prism of 5 sides: 2 r sin 36° each, 0.8 m long.
        let wanted = 5.0 * 2.0 * 0.04 * 36_f64.to_radians().sin() * 0.8;
        assert!((surface.shells[0].area - wanted).abs() < 1e-6, "{}", surface.shells[0].area);
        // V − E + F = 0 for a tube open at both ends.
        let edges: usize = (0..155).map(|p| surface.edges().neighbours(p).len()).sum::<usize>() / 2;
        assert_eq!(155 - edges as i64 + 300, 0);
        for point in 0..155 {
            let list = surface.edges().neighbours(point);
            assert!(list.windows(2).all(|two| two[0] < two[1]), "ascending, each once");
            assert!(list.iter().all(|other| surface.edges().neighbours(*other).contains(&point)));
        }
        let double = (0..155).filter(|point| surface.members(*point).len() == 2).count();
        assert_eq!(double, 5);
    }

    #[test]
    fn hostile_triangles_are_left_out_and_counted() {
        let mut rig = rig(EEL);
        let primitive = &mut rig.meshes[0].primitives[0];
        primitive.positions[0][1] = f32::INFINITY;
        primitive.triangles.push([0, 1, 4_000_000_000]);
        let facts = Facts::new(&rig);
        let surface = facts.surface();
        assert_eq!(surface.out_of_range, 1);
        assert!(surface.not_finite > 0);
        assert_eq!(surface.triangles.len() as u64, 300 - surface.not_finite);
        assert_eq!(surface.point_of[0], NOWHERE);
        assert_eq!(surface.part_of(159), 0);
    }
}
