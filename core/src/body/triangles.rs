//! A tree of boxes over the triangles of a surface: nearest points and first hits of rays, in f64.
//!
//! Triangles are sorted along a space-filling curve and halved again and again, so that building costs one sort, and
//! the tree of the same triangles is the same tree on every machine. Everything is finite by the surface's promise.

use glam::DVec3;
use rayon::prelude::*;

/// Triangles of a leaf; more, where there are so many that the tree itself would be large.
const LEAF: usize = 8;
/// Leaves of a tree.
const MOST_LEAVES: usize = 1 << 17;

/// A box of the tree.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Node {
    pub(crate) low: DVec3,
    pub(crate) high: DVec3,
    /// The triangles below, as places in `order`.
    pub(super) first: u32,
    pub(super) end: u32,
    /// The second child (the first one is the next node); nothing for a leaf.
    pub(super) second: u32,
}

impl Node {
    /// Squared distance to the box; nothing inside.
    fn distance_squared(&self, point: DVec3) -> f64 {
        (self.low - point).max(point - self.high).max(DVec3::ZERO).length_squared()
    }

    /// Where a ray enters the box, if it does before `far`.
    fn enter(&self, from: DVec3, inverse: DVec3, far: f64) -> Option<f64> {
        let (mut near, mut out) = (0.0_f64, far);
        for axis in 0..3 {
            let (low, high) = (self.low[axis] - from[axis], self.high[axis] - from[axis]);
            if inverse[axis].is_infinite() {
                // The ray runs along this pair of sides: between them or not at all.
                if low > 0.0 || high < 0.0 {
                    return None;
                }
                continue;
            }
            let (a, b) = (low * inverse[axis], high * inverse[axis]);
            near = near.max(a.min(b));
            out = out.min(a.max(b));
        }
        (near <= out).then_some(near)
    }
}

/// The tree.
#[derive(Debug)]
pub struct Triangles {
    /// Parents before children, first children next to their parents.
    pub(crate) nodes: Vec<Node>,
    /// Triangle numbers along the curve.
    pub(super) order: Vec<u32>,
}

/// What is nearest.
#[derive(Debug, Clone, Copy)]
pub struct Nearest {
    /// The point on the surface, metres.
    pub point: DVec3,
    /// How far, metres.
    pub distance: f64,
    /// Its triangle.
    pub triangle: u32,
}

/// Triangles with corners by vertex number, as a surface holds them: every index in range, every corner finite.
#[derive(Debug, Clone, Copy)]
pub struct Soup<'s> {
    /// Metres.
    pub positions: &'s [DVec3],
    /// Corners.
    pub triangles: &'s [[u32; 3]],
}

impl Soup<'_> {
    /// The corners of a triangle.
    pub fn corners(&self, triangle: u32) -> [DVec3; 3] {
        self.triangles[triangle as usize].map(|vertex| self.positions[vertex as usize])
    }
}

impl Triangles {
    /// Builds the tree.
    pub fn new(soup: Soup<'_>) -> Self {
        let count = soup.triangles.len() as u32;
        let centre = |triangle: u32| soup.corners(triangle).iter().sum::<DVec3>() / 3.0;
        let (low, high) = (0..count)
            .into_par_iter()
            .map(|t| (centre(t), centre(t)))
            .reduce(|| (DVec3::INFINITY, DVec3::NEG_INFINITY), |a, b| (a.0.min(b.0), a.1.max(b.1)));
        let pitch = (high - low).max_element().max(f64::MIN_POSITIVE) / 1_048_575.0;
        let mut keyed: Vec<(u64, u32)> =
            (0..count).into_par_iter().map(|t| (curve((centre(t) - low) / pitch), t)).collect();
        keyed.par_sort_unstable();
        let order: Vec<u32> = keyed.into_iter().map(|(_, triangle)| triangle).collect();
        let leaf = LEAF.max(order.len().div_ceil(MOST_LEAVES));
        let mut tree = Self { nodes: Vec::with_capacity(2 * order.len() / leaf + 2), order };
        if count > 0 {
            tree.build(soup, 0, count, leaf as u32);
        }
        tree
    }

    /// Halving a list of 2³² at most is 32 calls deep.
    fn build(&mut self, soup: Soup<'_>, first: u32, end: u32, leaf: u32) -> (DVec3, DVec3) {
        let at = self.nodes.len();
        self.nodes.push(Node { low: DVec3::ZERO, high: DVec3::ZERO, first, end, second: 0 });
        let (low, high) = if end - first <= leaf {
            let corners = self.order[first as usize..end as usize].iter().flat_map(|t| soup.corners(*t));
            corners.fold((DVec3::INFINITY, DVec3::NEG_INFINITY), |(low, high), p| (low.min(p), high.max(p)))
        } else {
            let middle = first + (end - first) / 2;
            let a = self.build(soup, first, middle, leaf);
            self.nodes[at].second = self.nodes.len() as u32;
            let b = self.build(soup, middle, end, leaf);
            (a.0.min(b.0), a.1.max(b.1))
        };
        (self.nodes[at].low, self.nodes[at].high) = (low, high);
        (low, high)
    }

    /// The nearest point of the surface within `reach` metres.
    pub fn nearest(&self, soup: Soup<'_>, point: DVec3, reach: f64) -> Option<Nearest> {
        let mut best: Option<Nearest> = None;
        let mut most = reach * reach;
        let mut stack = [0_u32; 64];
        let mut depth = usize::from(!self.nodes.is_empty());
        while depth > 0 {
            depth -= 1;
            let at = stack[depth];
            let node = &self.nodes[at as usize];
            if node.distance_squared(point) > most {
                continue;
            }
            if node.second == 0 {
                for triangle in &self.order[node.first as usize..node.end as usize] {
                    let [a, b, c] = soup.corners(*triangle);
                    let on = closest_point(point, a, b, c);
                    let squared = on.distance_squared(point);
                    if squared < most || (best.is_none() && squared <= most) {
                        most = squared;
                        best = Some(Nearest { point: on, distance: squared.sqrt(), triangle: *triangle });
                    }
                }
                continue;
            }
            let (first, second) = (at + 1, node.second);
            let to = |node: u32| self.nodes[node as usize].distance_squared(point);
            // The nearer child is looked at first.
            (stack[depth], stack[depth + 1]) =
                if to(first) <= to(second) { (second, first) } else { (first, second) };
            depth += 2;
        }
        best
    }

    /// How far a ray goes before it hits the surface, from either side, at most `far`: multiples of `along`.
    pub fn first_hit(&self, soup: Soup<'_>, from: DVec3, along: DVec3, far: f64) -> Option<f64> {
        let inverse = along.recip();
        let mut best: Option<f64> = None;
        // Boxes that the ray enters, and where.
        let mut stack = [(0_u32, 0.0_f64); 64];
        let mut depth = usize::from(!self.nodes.is_empty());
        while depth > 0 {
            depth -= 1;
            let (at, entered) = stack[depth];
            let until = best.unwrap_or(far);
            if entered > until {
                continue;
            }
            let node = &self.nodes[at as usize];
            if node.second == 0 {
                for triangle in &self.order[node.first as usize..node.end as usize] {
                    if let Some(t) = hit(from, along, soup.corners(*triangle))
                        && t <= best.unwrap_or(far)
                    {
                        best = Some(t);
                    }
                }
                continue;
            }
            let (first, second) = (at + 1, node.second);
            let enter = |node: u32| self.nodes[node as usize].enter(from, inverse, until);
            match (enter(first), enter(second)) {
                (Some(a), Some(b)) => {
                    let ((nearer, near), (farther, beyond)) =
                        if a <= b { ((first, a), (second, b)) } else { ((second, b), (first, a)) };
                    (stack[depth], stack[depth + 1]) = ((farther, beyond), (nearer, near));
                    depth += 2;
                }
                (Some(t), None) => {
                    stack[depth] = (first, t);
                    depth += 1;
                }
                (None, Some(t)) => {
                    stack[depth] = (second, t);
                    depth += 1;
                }
                (None, None) => {}
            }
        }
        best
    }
}

/// Möller, Trumbore: Fast, minimum storage ray/triangle intersection, 1997; both sides.
pub(super) fn hit(from: DVec3, along: DVec3, [a, b, c]: [DVec3; 3]) -> Option<f64> {
    let (ab, ac) = (b - a, c - a);
    let p = along.cross(ac);
    let determinant = ab.dot(p);
    if determinant == 0.0 {
        return None;
    }
    let s = from - a;
    // Most triangles of a box are missed, and most of those on this side.
    let u = s.dot(p) / determinant;
    if !(0.0..=1.0).contains(&u) {
        return None;
    }
    let q = s.cross(ab);
    let v = along.dot(q) / determinant;
    if !((0.0..=1.0).contains(&v) && u + v <= 1.0) {
        return None;
    }
    let t = ac.dot(q) / determinant;
    (t >= 0.0).then_some(t)
}

/// The place of a cell on the curve: 20 bits of each coordinate, interleaved.
fn curve(cell: DVec3) -> u64 {
    let spread = |value: f64| {
        let mut bits = value.clamp(0.0, 1_048_575.0) as u64;
        bits = (bits | (bits << 32)) & 0x001f_0000_0000_ffff;
        bits = (bits | (bits << 16)) & 0x001f_0000_ff00_00ff;
        bits = (bits | (bits << 8)) & 0x100f_00f0_0f00_f00f;
        bits = (bits | (bits << 4)) & 0x10c3_0c30_c30c_30c3;
        (bits | (bits << 2)) & 0x1249_2492_4924_9249
    };
    (spread(cell.x) << 2) | (spread(cell.y) << 1) | spread(cell.z)
}

/// The point of a triangle that is nearest (Ericson, Real-Time Collision Detection, 2005, §5.1.5).
pub(crate) fn closest_point(p: DVec3, a: DVec3, b: DVec3, c: DVec3) -> DVec3 {
    let (ab, ac, ap) = (b - a, c - a, p - a);
    let (d1, d2) = (ab.dot(ap), ac.dot(ap));
    if d1 <= 0.0 && d2 <= 0.0 {
        return a;
    }
    let bp = p - b;
    let (d3, d4) = (ab.dot(bp), ac.dot(bp));
    if d3 >= 0.0 && d4 <= d3 {
        return b;
    }
    let vc = d1 * d4 - d3 * d2;
    if vc <= 0.0 && d1 >= 0.0 && d3 <= 0.0 {
        let along = if d1 == d3 { 0.0 } else { d1 / (d1 - d3) };
        return a + along * ab;
    }
    let cp = p - c;
    let (d5, d6) = (ab.dot(cp), ac.dot(cp));
    if d6 >= 0.0 && d5 <= d6 {
        return c;
    }
    let vb = d5 * d2 - d1 * d6;
    if vb <= 0.0 && d2 >= 0.0 && d6 <= 0.0 {
        let along = if d2 == d6 { 0.0 } else { d2 / (d2 - d6) };
        return a + along * ac;
    }
    let va = d3 * d6 - d5 * d4;
    if va <= 0.0 && d4 >= d3 && d5 >= d6 {
        let edge = (d4 - d3) + (d5 - d6);
        let along = if edge == 0.0 { 0.0 } else { (d4 - d3) / edge };
        return b + along * (c - b);
    }
    let inverse = 1.0 / (va + vb + vc);
    a + ab * (vb * inverse) + ac * (vc * inverse)
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
            assert!(
                (closest_point(point, a, b, c).distance_squared(point) - expected).abs() < 1e-12,
                "{point}"
            );
        }
    }

    #[test]
    fn a_ray_along_a_side_of_a_box_is_no_trouble() {
        let positions = [DVec3::ZERO, DVec3::X, DVec3::Y];
        let soup = Soup { positions: &positions, triangles: &[[0, 1, 2]] };
        let tree = Triangles::new(soup);
        let hit = tree.first_hit(soup, DVec3::new(0.25, 0.25, -2.0), DVec3::Z, 10.0);
        assert!(hit.is_some_and(|t| (t - 2.0).abs() < 1e-12));
        assert!(tree.first_hit(soup, DVec3::new(0.0, 0.5, 3.0), DVec3::NEG_Z, 10.0).is_some());
        assert!(tree.first_hit(soup, DVec3::new(0.25, 0.25, -2.0), DVec3::Z, 1.5).is_none());
        assert!(tree.first_hit(soup, DVec3::new(0.0, 0.0, 5.0), DVec3::X, 1.5).is_none());
    }
}
