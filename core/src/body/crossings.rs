//! How often a ray along an axis crosses a surface, by the sides it crosses: exact in what it counts.
//!
//! Which side of an edge the ray passes is told by the sign of a product that two triangles at one edge compute from the
//! same numbers, so that none is counted twice or missed between them; where it is nothing, the ray is thought of as
//! moved by very little, the same way everywhere (Edelsbrunner, Mücke: Simulation of Simplicity, ACM TOG 9(1), 1990).

use glam::DVec3;

use super::triangles::{Soup, Triangles};

/// A direction along an axis.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Way {
    axis: usize,
    /// Towards larger numbers.
    up: bool,
}

impl Triangles {
    /// The shortest way out of the box around everything.
    pub(super) fn way_out(&self, point: DVec3) -> Way {
        let mut best = (f64::INFINITY, Way { axis: 0, up: true });
        if let Some(node) = self.nodes.first() {
            for axis in 0..3 {
                for (up, room) in
                    [(true, node.high[axis] - point[axis]), (false, point[axis] - node.low[axis])]
                {
                    if room < best.0 {
                        best = (room, Way { axis, up });
                    }
                }
            }
        }
        best.1
    }

    /// Crossings of the ray: those out of a side that faces along it less those into one.
    pub(super) fn crossings(&self, soup: Soup<'_>, point: DVec3, way: Way) -> i32 {
        let Way { axis, up } = way;
        let (u, v) = ((axis + 1) % 3, (axis + 2) % 3);
        let mut count = 0;
        let mut stack = [0_u32; 64];
        let mut depth = usize::from(!self.nodes.is_empty());
        while depth > 0 {
            depth -= 1;
            let at = stack[depth];
            let node = &self.nodes[at as usize];
            let beside = |k: usize| point[k] < node.low[k] || point[k] > node.high[k];
            let behind = if up { node.high[axis] < point[axis] } else { node.low[axis] > point[axis] };
            if behind || beside(u) || beside(v) {
                continue;
            }
            if node.second == 0 {
                for triangle in &self.order[node.first as usize..node.end as usize] {
                    count += crossing(soup.corners(*triangle).map(|corner| corner - point), (u, v), up);
                }
            } else {
                (stack[depth], stack[depth + 1]) = (node.second, at + 1);
                depth += 2;
            }
        }
        if up { count } else { -count }
    }
}

/// Whether the ray from nought crosses a triangle: one where it faces up the axis, minus one where down.
fn crossing([a, b, c]: [DVec3; 3], (u, v): (usize, usize), up: bool) -> i32 {
    let left = |a: DVec3, b: DVec3| {
        let side = a[u] * b[v] - a[v] * b[u];
        if side == 0.0 { a[v] > b[v] || (a[v] == b[v] && b[u] > a[u]) } else { side > 0.0 }
    };
    let first = left(a, b);
    if left(b, c) != first || left(c, a) != first {
        return 0;
    }
    // The ray's line meets the triangle on the ray, not behind it.
    let ahead = a.dot(b.cross(c));
    if (if up { ahead } else { -ahead } > 0.0) != first || ahead == 0.0 {
        return 0;
    }
    if first { 1 } else { -1 }
}
