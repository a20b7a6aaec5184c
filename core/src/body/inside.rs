//! Inside and outside (D15): the generalised winding number of a surface that need not be closed.
//!
//! Jacobson, Kavan, Sorkine-Hornung: Robust Inside-Outside Segmentation using Generalized Winding Numbers, ACM TOG
//! 32(4), 2013. Of a closed surface it is the count of its sides that any one ray crosses; see `caps.rs` for what
//! makes a surface closed, and `far.rs` for what is summed where that does not pay.

use glam::DVec3;

use super::Surface;
use super::caps::Caps;
use super::far::Moments;
use super::triangles::{Nearest, Soup, Triangles};

/// A surface as a solid: what lies inside, how far its skin is.
#[derive(Debug)]
pub struct Solid {
    tree: Triangles,
    how: How,
}

/// How the winding number is found.
#[derive(Debug)]
enum How {
    /// Crossings of a ray with the surface and with what closes it, less what that adds.
    Crossed(Caps),
    /// A sum over all triangles: there are so many borders that closing them costs more than it saves.
    Summed(Moments),
}

impl Solid {
    /// Builds the tree, and what closes the surface.
    pub fn new(soup: Soup<'_>) -> Self {
        let tree = Triangles::new(soup);
        let how = match Caps::new(soup) {
            Some(caps) => How::Crossed(caps),
            None => How::Summed(Moments::new(&tree, soup)),
        };
        Self { tree, how }
    }

    /// The winding number: one inside a closed surface that faces outward, nothing outside, something between them near
    /// holes. A whole number where the surface is closed; near holes within a few thousandths of the sum over all
    /// triangles.
    pub fn winding(&self, soup: Soup<'_>, point: DVec3) -> f64 {
        match &self.how {
            How::Crossed(caps) => {
                let way = self.tree.way_out(point);
                f64::from(self.tree.crossings(soup, point, way)) + caps.share(point, way)
            }
            How::Summed(moments) => moments.winding(&self.tree, soup, point),
        }
    }

    /// Whether a point lies inside something, whichever way its triangles face.
    pub fn holds(&self, soup: Soup<'_>, point: DVec3) -> bool {
        self.winding(soup, point).abs() > 0.5
    }

    /// The nearest point of the surface within `reach` metres.
    pub fn nearest(&self, soup: Soup<'_>, point: DVec3, reach: f64) -> Option<Nearest> {
        self.tree.nearest(soup, point, reach)
    }

    /// How far a ray goes before it meets the surface, at most `far`: multiples of `along`.
    pub fn first_hit(&self, soup: Soup<'_>, from: DVec3, along: DVec3, far: f64) -> Option<f64> {
        self.tree.first_hit(soup, from, along, far)
    }
}

/// A solid with the surface it was built from.
#[derive(Debug, Clone, Copy)]
pub struct Body<'b> {
    /// Its triangles.
    pub soup: Soup<'b>,
    /// Its tree.
    pub solid: &'b Solid,
}

impl<'b> Body<'b> {
    pub(crate) fn new(surface: &'b Surface, solid: &'b Solid) -> Self {
        Self { soup: soup(surface), solid }
    }

    /// See [`Solid::holds`].
    pub fn holds(&self, point: DVec3) -> bool {
        self.solid.holds(self.soup, point)
    }

    /// See [`Solid::nearest`].
    pub fn nearest(&self, point: DVec3, reach: f64) -> Option<Nearest> {
        self.solid.nearest(self.soup, point, reach)
    }

    /// See [`Solid::first_hit`].
    pub fn first_hit(&self, from: DVec3, along: DVec3, far: f64) -> Option<f64> {
        self.solid.first_hit(self.soup, from, along, far)
    }
}

/// The triangles of a surface.
pub(crate) fn soup(surface: &Surface) -> Soup<'_> {
    Soup { positions: &surface.positions, triangles: &surface.triangles }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use super::*;

    /// A sphere of so many rings and sides, facing outward.
    fn sphere(rings: u32, sides: u32) -> (Vec<DVec3>, Vec<[u32; 3]>) {
        let mut positions = vec![DVec3::Y];
        for ring in 1..rings {
            let (sin, cos) = (std::f64::consts::PI * f64::from(ring) / f64::from(rings)).sin_cos();
            for side in 0..sides {
                let (s, c) = (TAU * f64::from(side) / f64::from(sides)).sin_cos();
                positions.push(DVec3::new(sin * s, cos, sin * c));
            }
        }
        positions.push(DVec3::NEG_Y);
        let last = positions.len() as u32 - 1;
        let at = |ring: u32, side: u32| 1 + (ring - 1) * sides + side % sides;
        let mut triangles = Vec::new();
        for side in 0..sides {
            triangles.push([0, at(1, side), at(1, side + 1)]);
            triangles.push([last, at(rings - 1, side + 1), at(rings - 1, side)]);
            for ring in 1..rings - 1 {
                let (a, b) = (at(ring, side), at(ring, side + 1));
                let (c, d) = (at(ring + 1, side), at(ring + 1, side + 1));
                triangles.extend([[a, c, b], [b, c, d]]);
            }
        }
        (positions, triangles)
    }

    /// A closed surface winds once about what is inside and not at all about what is outside.
    #[test]
    fn a_closed_surface_winds_once_or_not_at_all() {
        let (positions, triangles) = sphere(64, 96);
        let soup = Soup { positions: &positions, triangles: &triangles };
        let solid = Solid::new(soup);
        for step in 0..200 {
            let t = f64::from(step);
            let way = DVec3::new((t * 0.7).sin(), (t * 1.3).cos(), (t * 2.1).sin()).normalize();
            for (radius, wanted) in [(0.0, 1.0), (0.5, 1.0), (0.97, 1.0), (1.03, 0.0), (1.5, 0.0), (9.0, 0.0)]
            {
                let winding = solid.winding(soup, way * radius);
                assert!((winding - wanted).abs() < 5e-3, "{winding} at {radius}");
                assert_eq!(solid.holds(soup, way * radius), wanted > 0.5);
            }
        }
        // A ray from the middle meets the sphere at its radius; the facets lie a little inside.
        let hit = solid.first_hit(soup, DVec3::ZERO, DVec3::new(0.6, 0.64, 0.48), 9.0).unwrap_or(0.0);
        assert!((hit - 1.0).abs() < 2e-3, "{hit}");
        let nearest = solid.nearest(soup, DVec3::new(0.0, 0.0, 3.0), 9.0);
        assert!(
            nearest.is_some_and(|n| (n.distance - 2.0).abs() < 1e-9 && n.point.distance(DVec3::Z) < 1e-9)
        );
        assert!(solid.nearest(soup, DVec3::new(0.0, 0.0, 3.0), 1.9).is_none());
    }

    /// A square of half side h seen from its axis at distance d: 4·atan(h² / (d·√(2h² + d²))); a face of a cube seen
    /// from its middle is 4π/6.
    #[test]
    fn a_square_is_seen_under_its_solid_angle() {
        let positions =
            [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)].map(|(x, y)| DVec3::new(x, y, 0.0));
        let soup = Soup { positions: &positions, triangles: &[[0, 1, 2], [0, 2, 3]] };
        let solid = Solid::new(soup);
        for d in [0.01_f64, 0.3, 1.0, 2.0, 5.0, 40.0] {
            let wanted = 4.0 * (1.0 / (d * (2.0 + d * d).sqrt())).atan() / (2.0 * TAU);
            let seen = solid.winding(soup, DVec3::new(0.0, 0.0, -d));
            assert!((seen - wanted).abs() < 3e-3 * wanted + 1e-9, "{seen} {wanted} at {d}");
        }
        let face = solid.winding(soup, DVec3::new(0.0, 0.0, -1.0));
        assert!((face - 1.0 / 6.0).abs() < 1e-12, "{face}");
    }

    #[test]
    fn nothing_holds_nothing() {
        let soup = Soup { positions: &[], triangles: &[] };
        let solid = Solid::new(soup);
        assert!(!solid.holds(soup, DVec3::ZERO) && solid.nearest(soup, DVec3::ZERO, 1.0).is_none());
        // All triangles in one place, without area.
        let soup = Soup { positions: &[DVec3::ONE], triangles: &[[0, 0, 0]; 50] };
        let solid = Solid::new(soup);
        assert_eq!(solid.winding(soup, DVec3::ZERO), 0.0);
        assert_eq!(solid.winding(soup, DVec3::ONE), 0.0);
    }
}
