//! The mirror plane (D9): fitted robustly, and only accepted when joints and skin both prove it.

mod skin;

use glam::DVec3;

use super::Facts;

/// Beyond this many joints symmetry is not judged (the fit is quadratic).
const MOST_JOINTS: usize = 1_500;
/// Tolerance of a mirrored joint, fraction of S.
const JOINT_TOLERANCE: f64 = 0.02;

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
    let search = Nearby::new(&origins, tolerance);
    let mut best: Option<(DVec3, f64, f64)> = None;
    for (normal, offset) in candidates {
        let bonus = 0.02 * normal.x.abs();
        let least = best.map_or(f64::NEG_INFINITY, |best| best.2 - bonus);
        // Of equals the last one stands.
        if let Some(score) = search.score_above(normal, offset, least)
            && best.is_none_or(|best| score + bonus >= best.2)
        {
            best = Some((normal, offset, score + bonus));
        }
    }
    let (normal, offset, _) = best?;
    let (mut normal, mut offset) = leftward(normal, offset);
    for _ in 0..5 {
        let (_, pairs) = search.score(normal, offset);
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
    let (joint_score, pairs) = search.score(normal, offset);
    if joint_score < 0.8 || pairs.len() < 2 {
        return None;
    }
    let mut plane = MirrorPlane { normal, offset, score: joint_score, skin_score: None };
    plane.skin_score = skin::score(facts, &plane);
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

/// The joints along the axis in which they spread widest, to look for neighbours in a window of it.
struct Nearby<'o> {
    origins: &'o [DVec3],
    tolerance: f64,
    axis: usize,
    /// Place on the axis and number, in order of place.
    sorted: Vec<(f64, usize)>,
}

impl<'o> Nearby<'o> {
    fn new(origins: &'o [DVec3], tolerance: f64) -> Self {
        let low = origins.iter().copied().fold(DVec3::INFINITY, DVec3::min);
        let high = origins.iter().copied().fold(DVec3::NEG_INFINITY, DVec3::max);
        let axis = (high - low).max_position();
        let mut sorted: Vec<(f64, usize)> =
            origins.iter().enumerate().map(|(index, origin)| (origin[axis], index)).collect();
        sorted.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        Self { origins, tolerance, axis, sorted }
    }

    /// Joints within tolerance of a point, with the squared distance.
    fn near(&self, point: DVec3) -> impl Iterator<Item = (f64, usize)> + '_ {
        // A little wider than the tolerance, so that rounding cannot lose one that is exactly that far off.
        let reach = self.tolerance * (1.0 + 1e-9);
        let (from, to) = (point[self.axis] - reach, point[self.axis] + reach);
        let start = self.sorted.partition_point(|(place, _)| *place < from);
        self.sorted[start..]
            .iter()
            .take_while(move |(place, _)| *place <= to)
            .map(move |(_, index)| (self.origins[*index].distance_squared(point), *index))
            .filter(|(squared, _)| *squared <= self.tolerance * self.tolerance)
    }

    /// A joint on the plane is its own mirror image and proves little.
    fn weight(&self, distance: f64) -> f64 {
        if distance.abs() <= self.tolerance { 0.15 } else { 1.0 }
    }

    /// The weighted share of joints with a mirrored joint; nothing once it cannot reach `least` any more.
    fn score_above(&self, normal: DVec3, offset: f64, least: f64) -> Option<f64> {
        let (mut matched, mut total) = (0.0, 0.0);
        let mut left = self.origins.len() as f64;
        for origin in self.origins {
            let distance = normal.dot(*origin) - offset;
            let weight = self.weight(distance);
            total += weight;
            left -= 1.0;
            if self.near(*origin - 2.0 * distance * normal).next().is_some() {
                matched += weight;
            } else if (matched + left) / (total + left) < least {
                return None;
            }
        }
        Some(if total > 0.0 { matched / total } else { 0.0 })
    }

    /// The same share, and the pairs (off the plane, each once).
    fn score(&self, normal: DVec3, offset: f64) -> (f64, Vec<(usize, usize)>) {
        let (mut matched, mut total) = (0.0, 0.0);
        let mut pairs = Vec::new();
        for (a, origin) in self.origins.iter().enumerate() {
            let distance = normal.dot(*origin) - offset;
            let weight = self.weight(distance);
            total += weight;
            let image = *origin - 2.0 * distance * normal;
            let nearest = self.near(image).min_by(|x, y| x.0.total_cmp(&y.0).then(x.1.cmp(&y.1)));
            if let Some((_, b)) = nearest {
                matched += weight;
                if weight == 1.0 && a < b {
                    pairs.push((a, b));
                }
            }
        }
        (if total > 0.0 { matched / total } else { 0.0 }, pairs)
    }
}

fn median(mut values: Vec<f64>) -> f64 {
    if values.is_empty() {
        return 0.0;
    }
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    if values.len() % 2 == 1 { values[middle] } else { f64::midpoint(values[middle - 1], values[middle]) }
}
