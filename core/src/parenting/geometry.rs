//! What the places of the joints say by themselves: neighbours, the Euclidean spanning tree, the mirror plane, segments.

use glam::DVec3;

/// Neighbours kept for each joint.
pub(super) const NEAR: usize = 40;

/// The layout of one skeleton.
#[derive(Debug)]
pub(super) struct Layout {
    /// Origins.
    pub(super) at: Vec<DVec3>,
    /// The diagonal of the box around them; never zero.
    pub(super) size: f64,
    /// The least coordinates.
    pub(super) low: DVec3,
    /// The median place.
    pub(super) middle: DVec3,
    /// Per joint, the nearest others with their distances, nearest first; ties by index.
    pub(super) near: Vec<Vec<(f64, usize)>>,
    /// Distance to the nearest joint at another place.
    pub(super) next: Vec<f64>,
    /// How many others lie at the same place.
    pub(super) here: Vec<u32>,
    /// Whether a mirror plane was found: its normal and offset.
    pub(super) plane: Option<(DVec3, f64)>,
    /// The joint at the mirrored place.
    pub(super) twin: Vec<Option<usize>>,
    /// The Euclidean spanning tree.
    pub(super) tree: Spanning,
    /// Joints by their mean path along the spanning tree: 0 is the most central.
    pub(super) rank: Vec<u32>,
}

/// The Euclidean spanning tree, rooted at its most central joint.
#[derive(Debug, Default)]
pub(super) struct Spanning {
    pub(super) up: Vec<Option<usize>>,
    pub(super) below: Vec<u32>,
    pub(super) degree: Vec<u32>,
    pub(super) depth: Vec<u32>,
    /// Path to the farthest joint.
    pub(super) far: Vec<f64>,
    /// Mean path to all joints.
    pub(super) mean: Vec<f64>,
    /// Path to the root.
    pub(super) out: Vec<f64>,
    /// The median length of its edges at different places.
    pub(super) edge: f64,
}

impl Layout {
    pub(super) fn new(points: &[DVec3]) -> Self {
        let count = points.len();
        let at: Vec<DVec3> = points.iter().map(|p| if p.is_finite() { *p } else { DVec3::ZERO }).collect();
        let low = at.iter().copied().reduce(DVec3::min).unwrap_or_default();
        let high = at.iter().copied().reduce(DVec3::max).unwrap_or_default();
        let size = (high - low).length().max(1e-9);
        let same = size * 1e-4;
        let median = |pick: fn(&DVec3) -> f64| {
            let mut values: Vec<f64> = at.iter().map(pick).collect();
            values.sort_by(f64::total_cmp);
            values.get(values.len() / 2).copied().unwrap_or(0.0)
        };
        let middle = DVec3::new(median(|p| p.x), median(|p| p.y), median(|p| p.z));
        let mut near = Vec::with_capacity(count);
        let mut next = Vec::with_capacity(count);
        let mut here = Vec::with_capacity(count);
        for (j, place) in at.iter().enumerate() {
            let mut list: Vec<(f64, usize)> =
                (0..count).filter(|k| *k != j).map(|k| (place.distance(at[k]), k)).collect();
            here.push(list.iter().filter(|(d, _)| *d <= same).count() as u32);
            let nearest = list.iter().map(|(d, _)| *d).filter(|d| *d > same).fold(f64::INFINITY, f64::min);
            next.push(if nearest.is_finite() { nearest } else { size });
            let order = |a: &(f64, usize), b: &(f64, usize)| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1));
            if list.len() > NEAR {
                list.select_nth_unstable_by(NEAR, order);
                list.truncate(NEAR);
            }
            list.sort_by(order);
            near.push(list);
        }
        let tree = Spanning::new(&at, same);
        let mut by_mean: Vec<usize> = (0..count).collect();
        by_mean.sort_by(|a, b| tree.mean[*a].total_cmp(&tree.mean[*b]).then(a.cmp(b)));
        let mut rank = vec![0; count];
        for (place, joint) in by_mean.iter().enumerate() {
            rank[*joint] = place as u32;
        }
        let (plane, twin) = mirror(&at, size);
        Self { at, size, low, middle, near, next, here, plane, twin, tree, rank }
    }

    /// Distance between two origins.
    pub(super) fn apart(&self, a: usize, b: usize) -> f64 {
        self.at[a].distance(self.at[b])
    }

    /// Whether two origins are one place.
    pub(super) fn same(&self, a: usize, b: usize) -> bool {
        self.apart(a, b) <= self.size * 1e-4
    }

    /// How many joints lie nearer to `j` than distance `d` (strictly).
    pub(super) fn nearer(&self, j: usize, d: f64) -> usize {
        self.near[j].iter().take_while(|(other, _)| *other < d - self.size * 1e-6).count()
    }

    /// Signed distance from the mirror plane over size; 0 without one.
    pub(super) fn lateral(&self, j: usize) -> f64 {
        self.plane.map_or(0.0, |(normal, offset)| (normal.dot(self.at[j]) - offset) / self.size)
    }
}

impl Spanning {
    /// Prim's algorithm, then lengths of paths by two passes over the tree.
    fn new(at: &[DVec3], same: f64) -> Self {
        let count = at.len();
        if count == 0 {
            return Self::default();
        }
        let mut best = vec![(f64::INFINITY, 0_usize); count];
        let mut inside = vec![false; count];
        let mut adjacent: Vec<Vec<(usize, f64)>> = vec![Vec::new(); count];
        let mut lengths = Vec::with_capacity(count);
        let mut now = 0;
        inside[0] = true;
        for _ in 1..count {
            let mut chosen: Option<usize> = None;
            for k in 0..count {
                if inside[k] {
                    continue;
                }
                let d = at[now].distance(at[k]);
                if d < best[k].0 {
                    best[k] = (d, now);
                }
                if chosen.is_none_or(|c| best[k].0 < best[c].0) {
                    chosen = Some(k);
                }
            }
            let Some(k) = chosen else { break };
            inside[k] = true;
            let (d, from) = best[k];
            adjacent[k].push((from, d));
            adjacent[from].push((k, d));
            lengths.push(d);
            now = k;
        }
        lengths.retain(|d| *d > same);
        lengths.sort_by(f64::total_cmp);
        let edge = lengths.get(lengths.len() / 2).copied().unwrap_or(same).max(1e-12);
        let order_from = |root: usize| {
            let mut up = vec![None; count];
            let mut order = vec![root];
            let mut i = 0;
            while i < order.len() {
                let joint = order[i];
                for (other, _) in &adjacent[joint] {
                    if up[joint] != Some(*other) {
                        up[*other] = Some(joint);
                        order.push(*other);
                    }
                }
                i += 1;
            }
            (order, up)
        };
        let length = |a: usize, b: usize| at[a].distance(at[b]);
        let (order, up) = order_from(0);
        let mut below = vec![1_u32; count];
        let mut sum = vec![0.0; count];
        for joint in order.iter().rev() {
            if let Some(parent) = up[*joint] {
                below[parent] += below[*joint];
                sum[parent] += sum[*joint] + f64::from(below[*joint]) * length(parent, *joint);
            }
        }
        for joint in &order {
            if let Some(parent) = up[*joint] {
                let away = count as f64 - 2.0 * f64::from(below[*joint]);
                sum[*joint] = sum[parent] + away * length(parent, *joint);
            }
        }
        let mean: Vec<f64> = sum.iter().map(|s| s / count as f64).collect();
        let root = (0..count).min_by(|a, b| mean[*a].total_cmp(&mean[*b]).then(a.cmp(b))).unwrap_or(0);
        let (order, up) = order_from(root);
        let mut below = vec![1_u32; count];
        for joint in order.iter().rev() {
            if let Some(parent) = up[*joint] {
                below[parent] += below[*joint];
            }
        }
        let paths = |from: usize| {
            let (order, up) = order_from(from);
            let mut out = vec![0.0; count];
            for joint in &order {
                if let Some(parent) = up[*joint] {
                    out[*joint] = out[parent] + length(parent, *joint);
                }
            }
            out
        };
        let farthest = |paths: &[f64]| {
            (0..count).max_by(|a, b| paths[*a].total_cmp(&paths[*b]).then(b.cmp(a))).unwrap_or(0)
        };
        let out = paths(root);
        let one = farthest(&out);
        let from_one = paths(one);
        let other = farthest(&from_one);
        let from_other = paths(other);
        let far = from_one.iter().zip(&from_other).map(|(a, b)| a.max(*b)).collect();
        let mut depth = vec![0; count];
        for joint in &order {
            if let Some(parent) = up[*joint] {
                depth[*joint] = depth[parent] + 1;
            }
        }
        let degree = adjacent.iter().map(|list| list.len() as u32).collect();
        Self { up, below, degree, depth, far, mean, out, edge }
    }

    /// Steps from `a` up to `b` where `b` is an ancestor of `a`, else nothing.
    pub(super) fn climbs(&self, a: usize, b: usize) -> Option<u32> {
        if self.depth[a] <= self.depth[b] {
            return None;
        }
        let steps = self.depth[a] - self.depth[b];
        let mut node = a;
        for _ in 0..steps {
            node = self.up[node]?;
        }
        (node == b).then_some(steps)
    }

    /// Steps along the tree between two joints, and the path's length; gives up after `most` steps.
    pub(super) fn path(&self, a: usize, b: usize, most: u32) -> (u32, f64) {
        let (mut x, mut y, mut steps) = (a, b, 0);
        while x != y && steps < most {
            if self.depth[x] >= self.depth[y] {
                let Some(up) = self.up[x] else { break };
                x = up;
            } else {
                let Some(up) = self.up[y] else { break };
                y = up;
            }
            steps += 1;
        }
        if x == y {
            (steps, self.out[a] + self.out[b] - 2.0 * self.out[x])
        } else {
            (most, self.out[a] + self.out[b])
        }
    }
}

/// The mirror plane across one of the axes, and the joints at mirrored places.
fn mirror(at: &[DVec3], size: f64) -> (Option<(DVec3, f64)>, Vec<Option<usize>>) {
    let count = at.len();
    let tolerance = size * 0.012;
    let mut best: Option<(f64, DVec3, f64, Vec<Option<usize>>)> = None;
    // Sorted along an axis, so that an image looks only at joints within the tolerance.
    let mut sorted: Vec<usize> = (0..count).collect();
    sorted.sort_by(|a, b| at[*a].y.total_cmp(&at[*b].y).then(a.cmp(b)));
    let along: Vec<f64> = sorted.iter().map(|j| at[*j].y).collect();
    for (axis, handicap) in [(DVec3::X, 0.0), (DVec3::Z, 0.1), (DVec3::Y, 0.15)] {
        let mut values: Vec<f64> = at.iter().map(|p| p.dot(axis)).collect();
        values.sort_by(f64::total_cmp);
        let (Some(first), Some(last)) = (values.first(), values.last()) else { continue };
        let median = values[count / 2];
        let mut offsets = vec![0.0, f64::midpoint(*first, *last), median];
        offsets.dedup();
        for offset in offsets {
            let (mut pairs, mut off) = (0, 0);
            let mut twin = vec![None; count];
            for (j, place) in at.iter().enumerate() {
                let distance = place.dot(axis) - offset;
                let image = *place - 2.0 * distance * axis;
                let from = along.partition_point(|y| *y < image.y - tolerance);
                let found = sorted[from..]
                    .iter()
                    .take_while(|k| at[**k].y <= image.y + tolerance)
                    .map(|k| (at[*k].distance(image), *k))
                    .filter(|(d, _)| *d <= tolerance)
                    .min_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
                if distance.abs() > tolerance {
                    off += 1;
                    if let Some((_, k)) = found {
                        pairs += 1;
                        twin[j] = Some(k);
                    }
                }
            }
            if off < 4 || off * 4 < count {
                continue;
            }
            let score = f64::from(pairs) / off as f64 - handicap;
            if score >= 0.5 && best.as_ref().is_none_or(|(other, ..)| score > *other + 1e-9) {
                best = Some((score, axis, offset, twin));
            }
        }
    }
    match best {
        Some((_, axis, offset, twin)) => (Some((axis, offset)), twin),
        None => (None, vec![None; count]),
    }
}

/// Distance from a point to a segment, and where along it (0 to 1) the nearest point lies.
pub(super) fn to_segment(point: DVec3, from: DVec3, to: DVec3) -> (f64, f64) {
    let along = to - from;
    let squared = along.length_squared();
    let t = if squared > 0.0 { ((point - from).dot(along) / squared).clamp(0.0, 1.0) } else { 0.0 };
    (point.distance(from + along * t), t)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paths_along_a_bent_line_are_sums_of_its_steps() {
        // Four joints 1, 2 and 3 m apart, the last at a right angle: by hand, 0-1-2-3.
        let at = [DVec3::ZERO, DVec3::X, DVec3::new(3.0, 0.0, 0.0), DVec3::new(3.0, 3.0, 0.0)];
        let tree = Spanning::new(&at, 1e-6);
        assert_eq!(tree.path(0, 3, 10), (3, 6.0));
        // Mean paths: (0+1+3+6)/4, (1+0+2+5)/4, (3+2+0+3)/4, (6+5+3+0)/4.
        assert_eq!(tree.mean, vec![2.5, 2.0, 2.0, 3.5]);
        assert_eq!(tree.far, vec![6.0, 5.0, 3.0, 6.0]);
        assert_eq!(tree.degree, vec![1, 2, 2, 1]);
    }

    #[test]
    fn twins_are_found_across_the_plane() {
        let at = [
            DVec3::new(0.0, 1.0, 0.0),
            DVec3::new(0.3, 1.0, 0.1),
            DVec3::new(-0.3, 1.0, 0.1),
            DVec3::new(0.6, 0.5, 0.0),
            DVec3::new(-0.6, 0.5, 0.0),
        ];
        let layout = Layout::new(&at);
        assert_eq!(layout.twin, vec![None, Some(2), Some(1), Some(4), Some(3)]);
        assert!(layout.lateral(1) > 0.0 && layout.lateral(2) < 0.0);
    }

    #[test]
    fn the_nearest_point_of_a_segment() {
        let (d, t) = to_segment(DVec3::new(1.0, 2.0, 0.0), DVec3::ZERO, DVec3::new(4.0, 0.0, 0.0));
        assert_eq!((d, t), (2.0, 0.25));
        let (d, t) = to_segment(DVec3::new(-3.0, 4.0, 0.0), DVec3::ZERO, DVec3::X);
        assert_eq!((d, t), (5.0, 0.0));
    }
}
