//! Polygonising by naive surface nets (Gibson 1998): one vertex in every cell that the surface crosses, one quad
//! around every grid edge that it crosses. Blocks far from the surface are not looked into.

use glam::DVec3;

use super::field::{Cone, union};

/// A closed triangle mesh.
#[derive(Debug, Default)]
pub(super) struct Surface {
    pub(super) positions: Vec<DVec3>,
    pub(super) triangles: Vec<[u32; 3]>,
}

const BLOCK: usize = 8;

/// The surface at about `vertices` vertices: a coarse pass measures the area, a second one meets the count.
pub(super) fn polygonise(cones: &[Cone], blend: f64, vertices: usize) -> Surface {
    let (mut low, mut high) = (DVec3::INFINITY, DVec3::NEG_INFINITY);
    for cone in cones {
        let (a, b) = cone.bounds();
        low = low.min(a);
        high = high.max(b);
    }
    let size = (high - low).max_element();
    let coarse = size / 48.0;
    let first = at_pitch(cones, blend, low, high, coarse);
    if first.positions.is_empty() {
        return first;
    }
    let pitch = coarse * (first.positions.len() as f64 / vertices as f64).sqrt();
    at_pitch(cones, blend, low, high, pitch)
}

fn at_pitch(cones: &[Cone], blend: f64, low: DVec3, high: DVec3, pitch: f64) -> Surface {
    // An odd number of cells across x with the plane in the middle keeps mirrored bodies mirrored.
    let half = (low.x.abs().max(high.x.abs()) / pitch).ceil() + 2.0;
    let origin = DVec3::new(-half * pitch, low.y - 2.0 * pitch, low.z - 2.0 * pitch);
    let cells = |from: f64, to: f64| ((to - from) / pitch).ceil() as usize + 3;
    let n = [half as usize * 2, cells(origin.y, high.y), cells(origin.z, high.z)];
    let points = n.map(|c| c + 1);
    let at = |x: usize, y: usize, z: usize| (z * points[1] + y) * points[0] + x;
    let place = |x: usize, y: usize, z: usize| {
        DVec3::new((x as f64 - half) * pitch, origin.y + y as f64 * pitch, origin.z + z as f64 * pitch)
    };
    let mut field = vec![f32::MAX; points[0] * points[1] * points[2]];
    let reach = BLOCK as f64 * pitch * 3f64.sqrt() / 2.0 + 2.0 * pitch + blend;
    for bz in (0..points[2]).step_by(BLOCK) {
        for by in (0..points[1]).step_by(BLOCK) {
            for bx in (0..points[0]).step_by(BLOCK) {
                let centre = place(bx, by, bz) + DVec3::splat((BLOCK as f64 - 1.0) / 2.0 * pitch);
                let nearest = cones.iter().map(|c| c.distance(centre)).fold(f64::INFINITY, f64::min);
                let ends = [bx, by, bz].map(|b| b + BLOCK);
                let near: Vec<Cone> = if nearest.abs() > 2.0 * reach {
                    Vec::new()
                } else {
                    cones
                        .iter()
                        .filter(|c| c.distance(centre) < nearest.max(0.0) + 2.0 * reach)
                        .copied()
                        .collect()
                };
                for z in bz..ends[2].min(points[2]) {
                    for y in by..ends[1].min(points[1]) {
                        for x in bx..ends[0].min(points[0]) {
                            let value =
                                if near.is_empty() { nearest } else { union(&near, blend, place(x, y, z)) };
                            field[at(x, y, z)] = value as f32;
                        }
                    }
                }
            }
        }
    }
    extract(&field, n, at, place)
}

fn extract(
    field: &[f32],
    n: [usize; 3],
    at: impl Fn(usize, usize, usize) -> usize,
    place: impl Fn(usize, usize, usize) -> DVec3,
) -> Surface {
    let mut surface = Surface::default();
    let cell_at = |x: usize, y: usize, z: usize| (z * n[1] + y) * n[0] + x;
    let mut vertex = vec![u32::MAX; n[0] * n[1] * n[2]];
    for z in 0..n[2] {
        for y in 0..n[1] {
            for x in 0..n[0] {
                let corner = |c: usize| (x + (c & 1), y + (c >> 1 & 1), z + (c >> 2));
                let value = |c: usize| {
                    let (x, y, z) = corner(c);
                    f64::from(field[at(x, y, z)])
                };
                let inside = (0..8).filter(|c| value(*c) < 0.0).count();
                if inside == 0 || inside == 8 {
                    continue;
                }
                let (mut sum, mut count) = (DVec3::ZERO, 0.0);
                for a in 0..8_usize {
                    for bit in [1, 2, 4] {
                        let b = a | bit;
                        if b == a || (value(a) < 0.0) == (value(b) < 0.0) {
                            continue;
                        }
                        let share = value(a) / (value(a) - value(b));
                        let (pa, pb) = (corner(a), corner(b));
                        sum += place(pa.0, pa.1, pa.2).lerp(place(pb.0, pb.1, pb.2), share);
                        count += 1.0;
                    }
                }
                vertex[cell_at(x, y, z)] = surface.positions.len() as u32;
                surface.positions.push(sum / count);
            }
        }
    }
    // Around every crossed edge along an axis lie four cells; the quad faces out of the body.
    for z in 1..n[2] {
        for y in 1..n[1] {
            for x in 1..n[0] {
                let here = field[at(x, y, z)] < 0.0;
                let mut quad = |there: f32, cells: [usize; 4]| {
                    if here == (there < 0.0) {
                        return;
                    }
                    let [a, b, c, d] = cells.map(|cell| vertex[cell]);
                    let faces = if here { [[a, b, c], [a, c, d]] } else { [[a, c, b], [a, d, c]] };
                    surface.triangles.extend(faces);
                };
                let (px, py, pz) = (x - 1, y - 1, z - 1);
                quad(
                    field[at(x + 1, y, z)],
                    [cell_at(x, py, pz), cell_at(x, y, pz), cell_at(x, y, z), cell_at(x, py, z)],
                );
                quad(
                    field[at(x, y + 1, z)],
                    [cell_at(px, y, pz), cell_at(px, y, z), cell_at(x, y, z), cell_at(x, y, pz)],
                );
                quad(
                    field[at(x, y, z + 1)],
                    [cell_at(px, py, z), cell_at(x, py, z), cell_at(x, y, z), cell_at(px, y, z)],
                );
            }
        }
    }
    surface
}
