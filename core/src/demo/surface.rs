//! Polygonising by dual marching cubes (Nielson 2004): one vertex for every patch of surface in a cell, one face around
//! every grid edge that the surface crosses. Only blocks near the surface are looked into, so time and memory grow with
//! the surface. The two halves of space are walked alike, in mirrored coordinates: what is symmetric comes out
//! symmetric to the last bit.

use std::collections::BTreeMap;

use glam::DVec3;
use rayon::prelude::*;

use super::cells::{CYCLES, Cycles, corner_of, edge_of};
use super::shape::{Shape, gradient, mirror, union};

/// A closed triangle mesh.
#[derive(Debug, Default)]
pub(super) struct Surface {
    pub(super) positions: Vec<DVec3>,
    pub(super) normals: Vec<DVec3>,
    pub(super) triangles: Vec<[u32; 3]>,
    /// Per vertex: the mirrored half, and the list of shapes near it.
    pub(super) near: Vec<(bool, u32)>,
    pub(super) lists: Vec<Vec<u16>>,
    /// The shapes as they were polygonised, and their mirror image under the twins' numbers.
    pub(super) shapes: [Vec<Shape>; 2],
}

/// Cells along a block's side.
const BLOCK: i32 = 8;
const POINTS: usize = BLOCK as usize + 1;
/// Crossings keep this share of an edge away from its ends, so that no two vertices meet.
const MARGIN: f64 = 0.02;

/// What is polygonised: shapes by part, the twin of each, and how far from a shape its influence ends, metres.
pub(super) struct Mould<'m> {
    pub(super) shapes: &'m [Shape],
    pub(super) twins: &'m [usize],
    pub(super) reach: &'m dyn Fn(&Shape) -> f64,
}

/// The surface at about `vertices` vertices.
pub(super) fn polygonise(mould: &Mould<'_>, vertices: usize) -> Surface {
    let (mut low, mut high) = (DVec3::INFINITY, DVec3::NEG_INFINITY);
    for (a, b) in mould.shapes.iter().map(Shape::bounds) {
        low = low.min(a);
        high = high.max(b);
    }
    let mut pitch = (high - low).max_element() / 48.0;
    // The first pass measures the area; thin shapes change with the pitch, so a later one may correct it.
    for _ in 0..6 {
        let surface = at_pitch(mould, low, high, pitch);
        let share = surface.positions.len() as f64 / vertices as f64;
        if (0.97..1.03).contains(&share) || surface.positions.is_empty() {
            return surface;
        }
        pitch *= share.sqrt();
    }
    at_pitch(mould, low, high, pitch)
}

/// A block of cells in one half of space.
struct Block {
    at: [i32; 3],
    list: Vec<u16>,
    values: Vec<f32>,
    /// First vertex of every cell.
    first: Vec<u32>,
}

impl Block {
    fn value(&self, point: [usize; 3]) -> f64 {
        f64::from(self.values[(point[2] * POINTS + point[1]) * POINTS + point[0]])
    }

    /// Which corners of a cell are inside, as bits.
    fn corners(&self, cell: [usize; 3]) -> u8 {
        let mut bits = 0;
        for corner in 0..8 {
            bits |= u8::from(self.value(corner_of(cell, corner)) < 0.0) << corner;
        }
        bits
    }
}

/// The blocks of one half, found by halving space.
struct Half {
    blocks: Vec<Block>,
    by_place: BTreeMap<[i32; 3], u32>,
}

struct Grid {
    pitch: f64,
    origin: DVec3,
}

impl Grid {
    fn place(&self, x: i32, y: i32, z: i32) -> DVec3 {
        DVec3::new(
            f64::from(x) * self.pitch,
            self.origin.y + f64::from(y) * self.pitch,
            self.origin.z + f64::from(z) * self.pitch,
        )
    }
}

fn at_pitch(mould: &Mould<'_>, low: DVec3, high: DVec3, pitch: f64) -> Surface {
    let shapes: Vec<Shape> = mould.shapes.iter().map(|shape| shape.at_least(0.9 * pitch)).collect();
    let image = |(shape, twin): (&Shape, &usize)| {
        // A shape across the plane is its own image end for end.
        let other = shapes[*twin];
        let across = other.a == mirror(other.b) && other.ra == other.rb;
        let image = if across { other } else { other.mirrored() };
        Shape { bone: shape.bone, part: shape.part, ..image }
    };
    let mirrored: Vec<Shape> = shapes.iter().zip(mould.twins).map(image).collect();
    let grid = Grid { pitch, origin: low - DVec3::splat(4.0 * pitch) };
    let width = low.x.abs().max(high.x.abs());
    let size = DVec3::new(width, high.y - low.y, high.z - low.z).max_element() + 8.0 * pitch;
    let mut side = 1;
    while f64::from(side * BLOCK) * pitch < size {
        side *= 2;
    }
    let shapes = [shapes, mirrored];
    let mut halves = shapes.each_ref().map(|shapes| {
        let all: Vec<u16> = (0..shapes.len() as u16).collect();
        // An ellipse's estimate falls short of its distance by its flatness at most.
        let reach: Vec<f64> = shapes
            .iter()
            .map(|shape| (mould.reach)(shape).max(shape.outer).max(shape.inner) * shape.k.max(1.0))
            .collect();
        let mut places = Vec::new();
        descend(shapes, &reach, &grid, [0; 3], side, &all, &mut places);
        let blocks: Vec<Block> =
            places.into_par_iter().filter_map(|(at, list)| sample(shapes, &grid, at, list)).collect();
        let by_place = blocks.iter().enumerate().map(|(n, block)| (block.at, n as u32)).collect();
        Half { blocks, by_place }
    });
    let mut surface = Surface::default();
    for (side, half) in halves.iter_mut().enumerate() {
        vertices(&shapes[side], &grid, half, side == 1, &mut surface);
    }
    faces(&grid, &halves, &mut surface);
    surface.shapes = shapes;
    surface
}

/// Halves a cube of `side` blocks until single blocks remain that the surface may cross.
fn descend(
    shapes: &[Shape],
    reach: &[f64],
    grid: &Grid,
    at: [i32; 3],
    side: i32,
    list: &[u16],
    found: &mut Vec<([i32; 3], Vec<u16>)>,
) {
    let extent = f64::from(side * BLOCK) * grid.pitch;
    let corner = grid.place(at[0] * BLOCK, at[1] * BLOCK, at[2] * BLOCK);
    let centre = corner + DVec3::splat(extent / 2.0);
    // Two cells more: what moves a value at a crossing must be in the lists of all blocks that share it.
    let radius = extent * 3f64.sqrt() / 2.0 + 2.0 * grid.pitch;
    let mut near = Vec::with_capacity(list.len());
    let mut crossed = false;
    for index in list {
        let shape = &shapes[usize::from(*index)];
        let (distance, inner, outer) = shape.shells(centre);
        if distance + radius < inner {
            return;
        }
        crossed |= distance - outer <= radius + reach[usize::from(*index)];
        if distance - outer <= radius + reach[usize::from(*index)] {
            near.push(*index);
        }
    }
    if !crossed {
        return;
    }
    if side == 1 {
        found.push((at, near));
        return;
    }
    let half = side / 2;
    for octant in 0..8 {
        let place = [0, 1, 2].map(|axis| at[axis] + (octant >> axis & 1) * half);
        descend(shapes, reach, grid, place, half, &near, found);
    }
}

/// The block's values, or nothing where the surface does not cross it.
fn sample(shapes: &[Shape], grid: &Grid, at: [i32; 3], list: Vec<u16>) -> Option<Block> {
    let mut values = Vec::with_capacity(POINTS * POINTS * POINTS);
    for z in 0..=BLOCK {
        for y in 0..=BLOCK {
            for x in 0..=BLOCK {
                let point = grid.place(at[0] * BLOCK + x, at[1] * BLOCK + y, at[2] * BLOCK + z);
                values.push(union(shapes, &list, point) as f32);
            }
        }
    }
    let inside = values.iter().filter(|value| **value < 0.0).count();
    (inside > 0 && inside < values.len()).then(|| Block { at, list, values, first: Vec::new() })
}

/// Where the surface crosses the edge between two grid points, in cells from the first.
fn crossing(a: f64, b: f64) -> f64 {
    (a / (a - b)).clamp(MARGIN, 1.0 - MARGIN)
}

/// The crossing on an edge of a cell, in the half's coordinates.
fn crossing_point(grid: &Grid, block: &Block, cell: [usize; 3], edge: usize) -> DVec3 {
    let [from, to] = edge_of(edge).map(|corner| corner_of(cell, corner));
    let place = |p: [usize; 3]| {
        let at = |axis: usize| block.at[axis] * BLOCK + p[axis] as i32;
        grid.place(at(0), at(1), at(2))
    };
    place(from).lerp(place(to), crossing(block.value(from), block.value(to)))
}

/// Appends the vertices of a half: the mean of each patch's crossings, drawn onto the surface within its cell.
fn vertices(shapes: &[Shape], grid: &Grid, half: &mut Half, flip: bool, surface: &mut Surface) {
    let made: Vec<Vec<(usize, DVec3, DVec3)>> = half
        .blocks
        .par_iter()
        .map(|block| {
            let mut out = Vec::new();
            for index in 0..(BLOCK * BLOCK * BLOCK) as usize {
                let cell = cell_at(index);
                let cycles = &CYCLES[usize::from(block.corners(cell))];
                for cycle in 0..cycles.count {
                    let (mut sum, mut count) = (DVec3::ZERO, 0.0);
                    for edge in (0..12).filter(|edge| cycles.of[*edge] == Some(cycle)) {
                        sum += crossing_point(grid, block, cell, edge);
                        count += 1.0;
                    }
                    let mut point = sum / count;
                    let step = grid.pitch * 1e-2;
                    if cycles.count == 1 {
                        let away = union(shapes, &block.list, point);
                        let way = gradient(shapes, &block.list, point, step);
                        let low = grid.place(
                            block.at[0] * BLOCK + cell[0] as i32,
                            block.at[1] * BLOCK + cell[1] as i32,
                            block.at[2] * BLOCK + cell[2] as i32,
                        );
                        let inset = DVec3::splat(MARGIN * grid.pitch);
                        point =
                            (point - way * away).clamp(low + inset, low + DVec3::splat(grid.pitch) - inset);
                    }
                    out.push((index, point, gradient(shapes, &block.list, point, step)));
                }
            }
            out
        })
        .collect();
    for (block, made) in half.blocks.iter_mut().zip(made) {
        block.first = vec![u32::MAX; (BLOCK * BLOCK * BLOCK) as usize];
        surface.lists.push(block.list.clone());
        let list = surface.lists.len() as u32 - 1;
        for (cell, point, normal) in made {
            let number = surface.positions.len() as u32;
            block.first[cell] = block.first[cell].min(number);
            let turned = |v: DVec3| if flip { mirror(v) } else { v };
            surface.positions.push(turned(point));
            surface.normals.push(turned(normal));
            surface.near.push((flip, list));
        }
    }
}

fn cell_at(index: usize) -> [usize; 3] {
    let n = BLOCK as usize;
    [index % n, index / n % n, index / (n * n)]
}

/// A cell of a half of space.
#[derive(Clone, Copy)]
struct Cell {
    half: usize,
    at: [i32; 3],
}

impl Cell {
    fn find(self, halves: &[Half; 2]) -> Option<(&Block, [usize; 3])> {
        let half = &halves[self.half];
        let number = half.by_place.get(&self.at.map(|c| c.div_euclid(BLOCK)))?;
        Some((&half.blocks[*number as usize], self.at.map(|c| c.rem_euclid(BLOCK) as usize)))
    }

    /// The vertex of the patch that crosses an edge of it.
    fn vertex(self, halves: &[Half; 2], edge: usize) -> Option<u32> {
        let (block, cell) = self.find(halves)?;
        let cycles: &Cycles = &CYCLES[usize::from(block.corners(cell))];
        let first = block.first[(cell[2] * BLOCK as usize + cell[1]) * BLOCK as usize + cell[0]];
        Some(first + u32::from(cycles.of[edge]?))
    }
}

/// Appends the faces around every crossed edge.
fn faces(grid: &Grid, halves: &[Half; 2], surface: &mut Surface) {
    let mut middles = BTreeMap::new();
    for (side, half) in halves.iter().enumerate() {
        for block in &half.blocks {
            for index in 0..(BLOCK * BLOCK * BLOCK) as usize {
                let cell = cell_at(index);
                let at = [0, 1, 2].map(|axis| block.at[axis] * BLOCK + cell[axis] as i32);
                let here = block.value(cell) < 0.0;
                for axis in 0..3 {
                    let mut end = cell;
                    end[axis] += 1;
                    // Edges on the plane between the halves belong to the first.
                    let on_plane = axis != 0 && at[0] == 0;
                    if here != (block.value(end) < 0.0) && !(on_plane && side == 1) {
                        around(grid, halves, surface, &mut middles, side, at, axis, here);
                    }
                }
            }
        }
    }
}

/// Where two patches of one cell meet the same two of its neighbour, the edge between them would bear four faces:
/// each of the two arcs gets a vertex of its own. By half, face axis, cell and inner corner.
type Middles = BTreeMap<(usize, usize, [i32; 3], usize), u32>;

#[expect(clippy::too_many_arguments, reason = "one step of `faces`")]
fn around(
    grid: &Grid,
    halves: &[Half; 2],
    surface: &mut Surface,
    middles: &mut Middles,
    side: usize,
    at: [i32; 3],
    axis: usize,
    here: bool,
) {
    let (b, c) = ((axis + 1) % 3, (axis + 2) % 3);
    let ring = [(1, 1), (0, 1), (0, 0), (1, 0)].map(|(ob, oc)| {
        let mut cell = Cell { half: side, at };
        cell.at[b] -= ob;
        cell.at[c] -= oc;
        let mut offset = [0_usize; 3];
        offset[b] = ob as usize;
        offset[c] = oc as usize;
        if cell.at[0] < 0 {
            // The first cell beyond the plane, as the other half counts.
            cell = Cell { half: 1 - side, at: [0, cell.at[1], cell.at[2]] };
            offset[0] = 0;
        }
        (cell, axis * 4 + offset[b] + 2 * offset[c])
    });
    let corners = ring.map(|(cell, edge)| cell.vertex(halves, edge));
    let [Some(v0), Some(v1), Some(v2), Some(v3)] = corners else { return };
    let corners = [v0, v1, v2, v3];
    let mut outline: Vec<u32> = Vec::with_capacity(8);
    for step in 0..4 {
        outline.push(corners[step]);
        // Neighbours along the ring differ in one axis: the normal of the face they share.
        let across = if step % 2 == 0 { b } else { c };
        outline.extend(middle(grid, halves, surface, middles, ring[step], ring[(step + 1) % 4], across));
    }
    if here == (side == 1) {
        outline.reverse();
    }
    if let [v0, v1, v2, v3] = outline[..] {
        let long =
            |a: u32, b: u32| surface.positions[a as usize].distance_squared(surface.positions[b as usize]);
        let split = if long(v0, v2) <= long(v1, v3) {
            [[v0, v1, v2], [v0, v2, v3]]
        } else {
            [[v1, v2, v3], [v1, v3, v0]]
        };
        surface.triangles.extend(split);
        return;
    }
    let mean =
        |of: &dyn Fn(u32) -> DVec3| outline.iter().map(|v| of(*v)).sum::<DVec3>() / outline.len() as f64;
    let mut point = mean(&|v| surface.positions[v as usize]);
    if axis != 0 && at[0] == 0 {
        point.x = 0.0;
    }
    let normal = mean(&|v| surface.normals[v as usize]).normalize_or(DVec3::Y);
    let centre = append(surface, point, normal, v0);
    for step in 0..outline.len() {
        surface.triangles.push([outline[step], outline[(step + 1) % outline.len()], centre]);
    }
}

fn append(surface: &mut Surface, point: DVec3, normal: DVec3, like: u32) -> u32 {
    surface.positions.push(point);
    surface.normals.push(normal);
    // A vertex lies in the half whose coordinates it is looked up in.
    let near = surface.near[like as usize];
    surface.near.push(near);
    surface.positions.len() as u32 - 1
}

/// The vertex in the middle of the arc between two cells, where both arcs of their face join the same two patches.
fn middle(
    grid: &Grid,
    halves: &[Half; 2],
    surface: &mut Surface,
    middles: &mut Middles,
    one: (Cell, usize),
    other: (Cell, usize),
    across: usize,
) -> Option<u32> {
    // The face of a cell that holds the edge and is normal to the axis.
    let face = |(cell, edge): (Cell, usize)| {
        let (block, place) = cell.find(halves)?;
        let level = edge_of(edge)[0] >> across & 1;
        let edges: Vec<usize> =
            (0..12).filter(|e| edge_of(*e).iter().all(|corner| corner >> across & 1 == level)).collect();
        let cycles = &CYCLES[usize::from(block.corners(place))];
        let of: Vec<u8> = edges.iter().filter_map(|e| cycles.of[*e]).collect();
        (of.len() == 4 && of.iter().all(|cycle| *cycle == of[0])).then_some((block, place, level))
    };
    let (block, place, level) = face(one)?;
    face(other)?;
    // The inner end of the edge names the arc.
    let inner = edge_of(one.1).into_iter().find(|corner| block.value(corner_of(place, *corner)) < 0.0)?;
    let grid_point = corner_of(place, inner);
    let mut key_at = [0, 1, 2].map(|axis| block.at[axis] * BLOCK + grid_point[axis] as i32);
    // Which of the four faces at the inner point: told by the other two axes of the face.
    let mut quarter = 0;
    for axis in (0..3).filter(|axis| *axis != across) {
        quarter = quarter * 2 + (inner >> axis & 1);
    }
    let half = if across == 0 && key_at[0] == 0 { 0 } else { one.0.half };
    if half != one.0.half {
        key_at[0] = 0;
    }
    let key = (half, across, key_at, quarter);
    if let Some(known) = middles.get(&key) {
        return Some(*known);
    }
    let arc = (0..12).filter(|e| {
        let ends = edge_of(*e);
        ends.contains(&inner) && ends.iter().all(|corner| corner >> across & 1 == level)
    });
    let point = arc.map(|e| crossing_point(grid, block, place, e)).sum::<DVec3>() / 2.0;
    let point = if one.0.half == 1 { mirror(point) } else { point };
    let like = one.0.vertex(halves, one.1)?;
    let normal = surface.normals[like as usize];
    let vertex = append(surface, point, normal, like);
    middles.insert(key, vertex);
    Some(vertex)
}
