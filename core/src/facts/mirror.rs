//! The mirror plane (D9): fitted robustly, and only accepted when joints and skin both prove it.

use glam::DVec3;

use super::Facts;
use super::size::{drawn, place_at_bind};
use crate::body::triangles::closest_point;

/// Beyond this many joints symmetry is not judged (the fit is quadratic).
const MOST_JOINTS: usize = 1_500;
/// Tolerance of a mirrored joint, fraction of S.
const JOINT_TOLERANCE: f64 = 0.02;
/// Tolerance of a mirrored surface point, fraction of S.
const SKIN_TOLERANCE: f64 = 0.005;
/// Surface points tried.
const SAMPLES: usize = 400;

/// A plane that the rig mirrors across.
#[derive(Debug, Clone, Copy)]
pub struct MirrorPlane {
    /// Unit normal, towards the character's left where that can be told (+x half).
    pub normal: DVec3,
    /// Distance of the plane from the world's origin along the normal, metres.
    pub offset: f64,
    /// Weighted share of joints that have a mirrored joint within 2 % of S.
    pub score: f64,
    /// Share of sampled skin whose mirror image lies within 0.5 % of S of the skin; `None` without a mesh.
    pub skin_score: Option<f64>,
}

impl MirrorPlane {
    /// Signed distance, metres; positive on the left.
    pub fn distance(&self, point: DVec3) -> f64 {
        self.normal.dot(point) - self.offset
    }

    /// The mirror image.
    pub fn mirror(&self, point: DVec3) -> DVec3 {
        point - 2.0 * self.distance(point) * self.normal
    }
}

/// The outcome of looking for a plane.
#[derive(Debug)]
pub struct Mirror {
    /// The plane, if symmetry is proven.
    pub plane: Option<MirrorPlane>,
}

impl Mirror {
    pub(super) fn new(facts: &Facts<'_>) -> Self {
        Self { plane: find(facts) }
    }
}

fn find(facts: &Facts<'_>) -> Option<MirrorPlane> {
    let count = facts.rig().joints.len();
    if !(3..=MOST_JOINTS).contains(&count) {
        return None;
    }
    let origins: Vec<DVec3> = facts.bind().joints.iter().map(|frame| frame.origin).collect();
    if origins.iter().any(|origin| !origin.is_finite()) {
        return None;
    }
    let s = facts.s();
    let size = facts.size();
    let tolerance = JOINT_TOLERANCE * s;
    let mut candidates = vec![(DVec3::X, 0.0), (DVec3::X, f64::midpoint(size.low.x, size.high.x))];
    let tree = facts.tree();
    let most = (20_000_000 / (count * count)).clamp(8, 400);
    'pairs: for a in 0..count {
        for b in a + 1..count {
            let apart = origins[a] - origins[b];
            if tree.depth[a] != tree.depth[b]
                || tree.subtree[a] != tree.subtree[b]
                || apart.length() < 2.0 * tolerance
            {
                continue;
            }
            let normal = apart.normalize();
            candidates.push((normal, normal.dot((origins[a] + origins[b]) / 2.0)));
            if candidates.len() >= most {
                break 'pairs;
            }
        }
    }
    let rank = |normal: DVec3, score: f64| score + 0.02 * normal.x.abs();
    let (normal, offset, _) = candidates
        .into_iter()
        .map(|(normal, offset)| (normal, offset, rank(normal, score(&origins, normal, offset, tolerance).0)))
        .max_by(|a, b| a.2.total_cmp(&b.2))?;
    let (mut normal, mut offset) = leftward(normal, offset);
    for _ in 0..5 {
        let (_, pairs) = score(&origins, normal, offset, tolerance);
        let apart: Vec<DVec3> = pairs
            .iter()
            .map(|(a, b)| origins[*a] - origins[*b])
            .map(|d| if d.dot(normal) < 0.0 { -d } else { d })
            .map(DVec3::normalize_or_zero)
            .collect();
        if apart.is_empty() {
            break;
        }
        let by = |pick: fn(&DVec3) -> f64| median(apart.iter().map(pick).collect());
        normal = DVec3::new(by(|d| d.x), by(|d| d.y), by(|d| d.z)).try_normalize().unwrap_or(normal);
        offset = median(pairs.iter().map(|(a, b)| normal.dot((origins[*a] + origins[*b]) / 2.0)).collect());
    }
    let (normal, offset) = leftward(normal, offset);
    let (joint_score, pairs) = score(&origins, normal, offset, tolerance);
    if joint_score < 0.8 || pairs.len() < 2 {
        return None;
    }
    let mut plane = MirrorPlane { normal, offset, score: joint_score, skin_score: None };
    plane.skin_score = skin_score(facts, &plane);
    plane.skin_score.is_none_or(|score| score >= 0.7).then_some(plane)
}

/// The plane with its normal towards the left: +x; across it, −z, the left of a character that faces +x.
fn leftward(normal: DVec3, offset: f64) -> (DVec3, f64) {
    let against = if normal.x.abs() > 1e-6 {
        normal.x < 0.0
    } else if normal.z.abs() > 1e-6 {
        normal.z > 0.0
    } else {
        normal.y < 0.0
    };
    if against { (-normal, -offset) } else { (normal, offset) }
}

/// The weighted share of joints with a mirrored joint, and the pairs (off the plane, each once).
fn score(origins: &[DVec3], normal: DVec3, offset: f64, tolerance: f64) -> (f64, Vec<(usize, usize)>) {
    let (mut matched, mut total) = (0.0, 0.0);
    let mut pairs = Vec::new();
    for (a, origin) in origins.iter().enumerate() {
        let distance = normal.dot(*origin) - offset;
        let weight = if distance.abs() <= tolerance { 0.15 } else { 1.0 };
        total += weight;
        let image = *origin - 2.0 * distance * normal;
        let nearest = origins
            .iter()
            .enumerate()
            .map(|(b, other)| (other.distance_squared(image), b))
            .min_by(|x, y| x.0.total_cmp(&y.0));
        if let Some((squared, b)) = nearest
            && squared <= tolerance * tolerance
        {
            matched += weight;
            if weight == 1.0 && a < b {
                pairs.push((a, b));
            }
        }
    }
    (if total > 0.0 { matched / total } else { 0.0 }, pairs)
}

fn median(mut values: Vec<f64>) -> f64 {
    if values.is_empty() {
        return 0.0;
    }
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    if values.len() % 2 == 1 { values[middle] } else { f64::midpoint(values[middle - 1], values[middle]) }
}

/// The share of sampled skin points whose mirror image lies on the skin.
///
/// The samples' images go into a coarse grid; every triangle then looks only at the samples of the cells that its
/// box touches, so the cost is one pass over the triangles.
fn skin_score(facts: &Facts<'_>, plane: &MirrorPlane) -> Option<f64> {
    let rig = facts.body().map_or(facts.rig(), Facts::rig);
    let facts = facts.body().unwrap_or(facts);
    let size = facts.size();
    let tolerance = SKIN_TOLERANCE * size.s;
    let meshes: Vec<_> = drawn(rig).map(|(node, mesh)| (place_at_bind(facts, node), mesh)).collect();
    let vertices: usize = meshes
        .iter()
        .flat_map(|(_, mesh)| &rig.meshes[mesh.index()].primitives)
        .map(|p| p.positions.len())
        .sum();
    if !facts.has_triangles() || vertices == 0 {
        return None;
    }
    let step = vertices.div_ceil(SAMPLES);
    let mut images = Vec::with_capacity(SAMPLES + 1);
    let mut running = 0;
    for (place, mesh) in &meshes {
        for primitive in &rig.meshes[mesh.index()].primitives {
            for position in &primitive.positions {
                if running % step == 0 {
                    let point = place.transform_point3(DVec3::from(position.map(f64::from)));
                    if point.is_finite() {
                        images.push(plane.mirror(point));
                    }
                }
                running += 1;
            }
        }
    }
    if images.is_empty() {
        return None;
    }
    const CELLS: usize = 48;
    let pitch = (size.s + 2.0 * tolerance) / CELLS as f64;
    let low = size.low - DVec3::splat(tolerance);
    let cell = |value: f64, axis: usize| {
        ((value - low[axis]) / pitch).floor().clamp(0.0, (CELLS - 1) as f64) as usize
    };
    let mut grid: Vec<Vec<u32>> = vec![Vec::new(); CELLS * CELLS * CELLS];
    let mut found = vec![false; images.len()];
    for (index, image) in images.iter().enumerate() {
        let inside = (image.cmpge(low) & image.cmple(low + DVec3::splat(pitch * CELLS as f64))).all();
        if inside {
            let at = (cell(image.z, 2) * CELLS + cell(image.y, 1)) * CELLS + cell(image.x, 0);
            grid[at].push(index as u32);
        }
    }
    for (place, mesh) in &meshes {
        for primitive in &rig.meshes[mesh.index()].primitives {
            let points: Vec<DVec3> = primitive
                .positions
                .iter()
                .map(|p| place.transform_point3(DVec3::from(p.map(f64::from))))
                .collect();
            for triangle in &primitive.triangles {
                let [Some(a), Some(b), Some(c)] = triangle.map(|index| points.get(index as usize).copied())
                else {
                    continue;
                };
                let least = a.min(b).min(c) - DVec3::splat(tolerance);
                let most = a.max(b).max(c) + DVec3::splat(tolerance);
                if !(least.is_finite() && most.is_finite()) {
                    continue;
                }
                for z in cell(least.z, 2)..=cell(most.z, 2) {
                    for y in cell(least.y, 1)..=cell(most.y, 1) {
                        for x in cell(least.x, 0)..=cell(most.x, 0) {
                            for index in &grid[(z * CELLS + y) * CELLS + x] {
                                let index = *index as usize;
                                if !found[index]
                                    && closest_point(images[index], a, b, c).distance_squared(images[index])
                                        <= tolerance * tolerance
                                {
                                    found[index] = true;
                                }
                            }
                        }
                    }
                }
            }
        }
    }
    Some(found.iter().filter(|hit| **hit).count() as f64 / images.len() as f64)
}
