//! What meets what: the boxes of a tree by pairs, and triangles by pairs.

use glam::DVec3;

use super::triangles::{Triangles, closest_point, hit};

impl Triangles {
    /// Something of each box, from what it is of a triangle and of two together.
    pub(crate) fn fold<T: Copy>(&self, none: T, of: impl Fn(u32) -> T, join: impl Fn(T, T) -> T) -> Vec<T> {
        let mut list = vec![none; self.nodes.len()];
        // Children come after their parents.
        for at in (0..self.nodes.len()).rev() {
            list[at] = match self.children(at as u32) {
                Some([a, b]) => join(list[a as usize], list[b as usize]),
                None => self.below(at as u32).iter().map(|triangle| of(*triangle)).fold(none, &join),
            };
        }
        list
    }

    /// The two boxes in a box; nothing for one that holds triangles.
    pub(crate) fn children(&self, node: u32) -> Option<[u32; 2]> {
        let second = self.nodes[node as usize].second;
        (second != 0).then_some([node + 1, second])
    }

    /// The triangles in a box.
    pub(crate) fn below(&self, node: u32) -> &[u32] {
        let node = &self.nodes[node as usize];
        &self.order[node.first as usize..node.end as usize]
    }
}

/// The box of a triangle along the world's axes: its low and its high corner.
pub(crate) fn bounds([a, b, c]: [DVec3; 3]) -> (DVec3, DVec3) {
    (a.min(b).min(c), a.max(b).max(c))
}

/// Whether two boxes share no place.
pub(crate) fn apart(a: (DVec3, DVec3), b: (DVec3, DVec3)) -> bool {
    (a.0 - b.1).max(b.0 - a.1).max_element() > 0.0
}

/// Whether two triangles cross, or a corner of one is within `gap` of the other.
pub(crate) fn touch(a: [DVec3; 3], b: [DVec3; 3], gap: f64) -> bool {
    let near = |one: [DVec3; 3], [p, q, r]: [DVec3; 3]| {
        one.iter().any(|corner| closest_point(*corner, p, q, r).distance_squared(*corner) <= gap * gap)
    };
    near(a, b) || near(b, a) || cross(a, b)
}

/// Whether two triangles cross: a side of one goes through the other. Triangles in one plane do not.
pub(crate) fn cross(a: [DVec3; 3], b: [DVec3; 3]) -> bool {
    let through = |one: [DVec3; 3], other: [DVec3; 3]| {
        (0..3).any(|k| {
            let along = one[(k + 1) % 3] - one[k];
            hit(one[k], along, other).is_some_and(|t| t <= 1.0)
        })
    };
    through(a, b) || through(b, a)
}

#[cfg(test)]
mod tests {
    use super::super::triangles::Soup;
    use super::*;

    #[test]
    fn triangles_cross_where_a_side_goes_through() {
        let flat = [DVec3::ZERO, DVec3::X, DVec3::Y];
        let at = |x: f64, z: f64| {
            [DVec3::new(x, 0.2, z - 1.0), DVec3::new(x, 0.2, z + 1.0), DVec3::new(x, 3.0, z)]
        };
        assert!(cross(flat, at(0.2, 0.0)) && cross(at(0.2, 0.0), flat));
        assert!(!cross(flat, at(0.9, 0.0)), "beside the slanted side");
        assert!(!cross(flat, at(0.2, 1.5)), "above");
        assert!(apart(bounds(flat), bounds(at(0.2, 1.5))) && !apart(bounds(flat), bounds(at(0.2, 0.5))));
        assert!(touch(flat, at(0.2, 1.5), 0.51) && !touch(flat, at(0.2, 1.5), 0.49), "half a metre above");
    }

    #[test]
    fn what_is_told_of_a_box_is_told_of_all_in_it() {
        let positions: Vec<DVec3> =
            (0..300).map(|n| DVec3::new(f64::from(n), f64::from(n % 7), 0.0)).collect();
        let triangles: Vec<[u32; 3]> = (0..298).map(|n| [n, n + 1, n + 2]).collect();
        let tree = Triangles::new(Soup { positions: &positions, triangles: &triangles });
        let most = tree.fold(0, |triangle| triangle, u32::max);
        assert_eq!(most[0], 297);
        for node in 0..tree.nodes.len() as u32 {
            assert_eq!(Some(most[node as usize]), tree.below(node).iter().copied().max());
        }
    }
}
