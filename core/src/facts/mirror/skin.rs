//! Whether the skin mirrors: sampled surface points, their mirror images, and the triangles near those.

use std::sync::atomic::{AtomicBool, Ordering};

use glam::{DMat4, DVec3};
use rayon::prelude::*;

use super::{Facts, MirrorPlane};
use crate::facts::size::{drawn, place_at_bind};
use crate::model::Primitive;

/// Tolerance of a mirrored surface point, fraction of S.
const TOLERANCE: f64 = 0.005;
/// Surface points tried.
const SAMPLES: usize = 400;
/// Cells along each axis; a row of them fits a word.
const CELLS: usize = 64;
/// A triangle over more cells than this is tried against every image instead.
const WIDE: usize = 150;
/// Such triangles tried; a mesh with more of them than this is not a surface.
const MOST_WIDE: usize = 50_000;
/// Triangles per unit of parallel work; a mesh of fewer is not worth waking threads for.
const CHUNK: usize = 65_536;

/// The share of sampled skin whose mirror image lies on the skin; `None` without a mesh. One pass over the vertices, and
/// one over the triangles, most of which end at a look into a bit set.
pub(super) fn score(facts: &Facts<'_>, plane: &MirrorPlane) -> Option<f64> {
    let rig = facts.body().map_or(facts.rig(), Facts::rig);
    let facts = facts.body().unwrap_or(facts);
    let surfaces: Vec<(DMat4, &Primitive)> = drawn(rig)
        .flat_map(|(node, mesh)| {
            let place = place_at_bind(facts, node);
            rig.meshes[mesh.index()].primitives.iter().map(move |primitive| (place, primitive))
        })
        .collect();
    let vertices: usize = surfaces.iter().map(|(_, primitive)| primitive.positions.len()).sum();
    if !facts.has_triangles() || vertices == 0 {
        return None;
    }
    let step = vertices.div_ceil(SAMPLES);
    let mut images = Vec::with_capacity(SAMPLES + 1);
    let mut skip = 0;
    for (place, primitive) in &surfaces {
        let taken = primitive.positions.iter().skip(skip).step_by(step);
        images.extend(
            taken.map(|position| moved(place, position)).filter(|p| p.is_finite()).map(|p| plane.mirror(p)),
        );
        // The next sample's place in the next list.
        let rest = primitive.positions.len().saturating_sub(skip);
        skip = if rest == 0 { skip - primitive.positions.len() } else { rest.next_multiple_of(step) - rest };
    }
    if images.is_empty() {
        return None;
    }
    let search = Search::new(facts, images);
    for (place, primitive) in &surfaces {
        search.look(place, primitive);
    }
    let hits = search.found.iter().filter(|hit| hit.load(Ordering::Relaxed)).count();
    Some(hits as f64 / search.images.len() as f64)
}

fn moved(place: &DMat4, position: &[f32; 3]) -> DVec3 {
    place.transform_point3(DVec3::from(position.map(f64::from)))
}

/// The images in a grid. Which are found does not depend on the order of looking, so threads may share it.
struct Search {
    images: Vec<DVec3>,
    found: Vec<AtomicBool>,
    tolerance: f64,
    low: DVec3,
    per_metre: f64,
    /// One word per row of cells, one bit per cell: an image's reach touches it.
    touched: Vec<u64>,
    /// Touched cells before each row.
    before: Vec<u32>,
    /// Where the images of each touched cell start, by its number among the touched ones.
    starts: Vec<u32>,
    /// Images, cell after cell.
    listed: Vec<u32>,
}

impl Search {
    fn new(facts: &Facts<'_>, images: Vec<DVec3>) -> Self {
        let size = facts.size();
        let tolerance = TOLERANCE * size.s;
        let mut search = Self {
            found: images.iter().map(|_| AtomicBool::new(false)).collect(),
            tolerance,
            low: size.low - DVec3::splat(tolerance),
            per_metre: CELLS as f64 / (size.s + 2.0 * tolerance),
            touched: vec![0; CELLS * CELLS],
            before: Vec::with_capacity(CELLS * CELLS),
            starts: Vec::new(),
            listed: Vec::new(),
            images,
        };
        // Row, bit and image.
        let mut entries: Vec<(u32, u32, u32)> = Vec::with_capacity(search.images.len() * 8);
        // A little wider than the tolerance, so that rounding cannot lose a cell.
        let reach = DVec3::splat(tolerance * (1.0 + 1e-9));
        for (index, image) in search.images.iter().enumerate() {
            let (least, most) = (search.cell(*image - reach), search.cell(*image + reach));
            for (row, bits) in rows(least, most) {
                search.touched[row] |= bits;
                for bit in ones(bits) {
                    entries.push((row as u32, bit, index as u32));
                }
            }
        }
        entries.sort_unstable();
        let mut cells = 0;
        for bits in &search.touched {
            search.before.push(cells);
            cells += bits.count_ones();
        }
        let mut last = None;
        for (row, bit, image) in entries {
            if last != Some((row, bit)) {
                search.starts.push(search.listed.len() as u32);
                last = Some((row, bit));
            }
            search.listed.push(image);
        }
        search.starts.push(search.listed.len() as u32);
        search
    }

    /// The cell of a finite point; points outside count to the outermost cells.
    fn cell(&self, point: DVec3) -> [u8; 3] {
        let at = (point - self.low) * self.per_metre;
        // The cast stops at 0 and 255.
        [at.x, at.y, at.z].map(|value| (value as u8).min(CELLS as u8 - 1))
    }

    fn look(&self, place: &DMat4, primitive: &Primitive) {
        let positions = &primitive.positions;
        let triangles = &primitive.triangles;
        if triangles.is_empty() {
            return;
        }
        // Three cell numbers, and whether the place is finite.
        let locate = |position: &[f32; 3]| {
            let point = moved(place, position);
            let [x, y, z] = self.cell(point);
            [x, y, z, u8::from(point.is_finite())]
        };
        let wide: Vec<u32> = if triangles.len() <= CHUNK {
            let located: Vec<[u8; 4]> = positions.iter().map(locate).collect();
            self.look_at(place, positions, &located, 0, triangles)
        } else {
            let located: Vec<[u8; 4]> = positions.par_iter().with_min_len(CHUNK / 4).map(locate).collect();
            let parts: Vec<Vec<u32>> = triangles
                .par_chunks(CHUNK)
                .enumerate()
                .map(|(part, some)| self.look_at(place, positions, &located, part * CHUNK, some))
                .collect();
            parts.into_iter().flatten().take(MOST_WIDE).collect()
        };
        for index in wide.iter().take(MOST_WIDE) {
            let corners = triangles[*index as usize].map(|at| moved(place, &positions[at as usize]));
            self.try_images(&corners, 0..self.images.len());
        }
    }

    /// Tries each triangle against the images whose reach touches its cells; returns the wide ones.
    fn look_at(
        &self,
        place: &DMat4,
        positions: &[[f32; 3]],
        located: &[[u8; 4]],
        first: usize,
        triangles: &[[u32; 3]],
    ) -> Vec<u32> {
        let mut wide = Vec::new();
        for (number, [i, j, k]) in triangles.iter().enumerate() {
            let (Some(a), Some(b), Some(c)) =
                (located.get(*i as usize), located.get(*j as usize), located.get(*k as usize))
            else {
                continue;
            };
            if a[3] & b[3] & c[3] == 0 {
                continue;
            }
            if a == b && b == c {
                // Most triangles of a fine mesh.
                if self.touched[row(a[1], a[2])] >> a[0] & 1 == 0 {
                    continue;
                }
            }
            let low = |axis: usize| a[axis].min(b[axis]).min(c[axis]);
            let high = |axis: usize| a[axis].max(b[axis]).max(c[axis]);
            let least = [low(0), low(1), low(2)];
            let most = [high(0), high(1), high(2)];
            let span = |axis: usize| usize::from(most[axis] - least[axis]) + 1;
            if span(0) * span(1) * span(2) > WIDE {
                wide.push((first + number) as u32);
                continue;
            }
            let corner = |index: u32| moved(place, &positions[index as usize]);
            let mut corners = None;
            for (row, bits) in rows(least, most) {
                for bit in ones(self.touched[row] & bits) {
                    let lower = (self.touched[row] & ((1 << bit) - 1)).count_ones();
                    let number = (self.before[row] + lower) as usize;
                    let here = &self.listed[self.starts[number] as usize..self.starts[number + 1] as usize];
                    // Most cells have nothing left to find.
                    let open = |image: &&u32| !self.found[**image as usize].load(Ordering::Relaxed);
                    if here.iter().any(|image| open(&image)) {
                        let corners = corners.get_or_insert_with(|| [corner(*i), corner(*j), corner(*k)]);
                        self.try_images(corners, here.iter().map(|image| *image as usize));
                    }
                }
            }
        }
        wide
    }

    fn try_images(&self, [a, b, c]: &[DVec3; 3], images: impl Iterator<Item = usize>) {
        let reach = DVec3::splat(self.tolerance);
        let (least, most) = (a.min(*b).min(*c) - reach, a.max(*b).max(*c) + reach);
        for index in images {
            let image = self.images[index];
            if !self.found[index].load(Ordering::Relaxed)
                && (image.cmpge(least) & image.cmple(most)).all()
                && distance_squared(image, *a, *b, *c) <= self.tolerance * self.tolerance
            {
                self.found[index].store(true, Ordering::Relaxed);
            }
        }
    }
}

fn row(y: u8, z: u8) -> usize {
    usize::from(z) * CELLS + usize::from(y)
}

/// The rows of cells in a box, and which cells of each.
fn rows(least: [u8; 3], most: [u8; 3]) -> impl Iterator<Item = (usize, u64)> {
    let bits = (u64::MAX >> (63 - (most[0] - least[0]))) << least[0];
    let wide = usize::from(most[1] - least[1]) + 1;
    let count = (usize::from(most[2] - least[2]) + 1) * wide;
    (0..count).map(move |at| (row(least[1], least[2]) + at / wide * CELLS + at % wide, bits))
}

/// The numbers of the bits that are set.
fn ones(mut bits: u64) -> impl Iterator<Item = u32> {
    std::iter::from_fn(move || {
        let lowest = bits.trailing_zeros();
        (bits != 0).then(|| {
            bits &= bits - 1;
            lowest
        })
    })
}

/// Squared distance from a point to a triangle (Ericson, Real-Time Collision Detection, 2005, §5.1.5).
fn distance_squared(p: DVec3, a: DVec3, b: DVec3, c: DVec3) -> f64 {
    let (ab, ac, ap) = (b - a, c - a, p - a);
    let (d1, d2) = (ab.dot(ap), ac.dot(ap));
    if d1 <= 0.0 && d2 <= 0.0 {
        return ap.length_squared();
    }
    let bp = p - b;
    let (d3, d4) = (ab.dot(bp), ac.dot(bp));
    if d3 >= 0.0 && d4 <= d3 {
        return bp.length_squared();
    }
    let vc = d1 * d4 - d3 * d2;
    if vc <= 0.0 && d1 >= 0.0 && d3 <= 0.0 {
        let along = if d1 == d3 { 0.0 } else { d1 / (d1 - d3) };
        return p.distance_squared(a + along * ab);
    }
    let cp = p - c;
    let (d5, d6) = (ab.dot(cp), ac.dot(cp));
    if d6 >= 0.0 && d5 <= d6 {
        return cp.length_squared();
    }
    let vb = d5 * d2 - d1 * d6;
    if vb <= 0.0 && d2 >= 0.0 && d6 <= 0.0 {
        let along = if d2 == d6 { 0.0 } else { d2 / (d2 - d6) };
        return p.distance_squared(a + along * ac);
    }
    let va = d3 * d6 - d5 * d4;
    if va <= 0.0 && d4 >= d3 && d5 >= d6 {
        let edge = (d4 - d3) + (d5 - d6);
        let along = if edge == 0.0 { 0.0 } else { (d4 - d3) / edge };
        return p.distance_squared(b + along * (c - b));
    }
    let inverse = 1.0 / (va + vb + vc);
    p.distance_squared(a + ab * (vb * inverse) + ac * (vc * inverse))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_nearest_point_is_found_in_every_region_of_a_triangle() {
        let (a, b, c) = (DVec3::ZERO, DVec3::X, DVec3::Y);
        let cases = [
            (DVec3::new(0.2, 0.2, 0.5), 0.25),
            (DVec3::new(-3.0, -4.0, 0.0), 25.0),
            (DVec3::new(0.5, -2.0, 0.0), 4.0),
            (DVec3::new(1.0, 1.0, 0.0), 0.5),
            (DVec3::new(3.0, 0.0, 0.0), 4.0),
            (DVec3::new(0.0, 3.0, 0.0), 4.0),
        ];
        for (point, expected) in cases {
            assert!((distance_squared(point, a, b, c) - expected).abs() < 1e-12, "{point}");
        }
    }
}
