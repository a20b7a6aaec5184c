//! Inside and outside (D15): the generalised winding number of a surface that need not be closed.
//!
//! Jacobson, Kavan, Sorkine-Hornung: Robust Inside-Outside Segmentation using Generalized Winding Numbers, ACM TOG
//! 32(4), 2013; far parts by their dipole and its first two moments, after Barill, Dickson, Schmidt, Levin, Jacobson: Fast
//! Winding Numbers for Soups and Clouds, ACM TOG 37(4), 2018.

use std::f64::consts::TAU;

use glam::{DMat3, DVec3};

use super::Surface;
use super::triangles::{Nearest, Soup, Triangles};

/// A part is far from a point that is this many of its radii away.
const FAR: f64 = 2.5;

/// What a part of the surface looks like from far.
#[derive(Debug, Clone, Copy)]
struct Moment {
    /// Where it is taken about.
    centre: DVec3,
    /// The distance of its farthest corner, squared, times [`FAR`] squared.
    far_squared: f64,
    /// Sum of areas times normals.
    dipole: DVec3,
    /// Sum of (area · normal) ⊗ (place − centre).
    first: DMat3,
    /// What the second moment contributes against the direction: 2 Σ M[i][i][k] + Σ M[k][j][j].
    linear: DVec3,
    /// … and its ten coefficients as a cubic form: xxx, yyy, zzz, xxy, xxz, yyx, yyz, zzx, zzy, xyz.
    cubic: [f64; 10],
}

/// Sum of (area · normal) ⊗ (place − centre) ⊗ (place − centre), by the normal's component.
type Second = [DMat3; 3];

impl Moment {
    const NOTHING: Self = Self {
        centre: DVec3::ZERO,
        far_squared: 0.0,
        dipole: DVec3::ZERO,
        first: DMat3::ZERO,
        linear: DVec3::ZERO,
        cubic: [0.0; 10],
    };

    fn with_second(self, m: &Second) -> Self {
        let [x, y, z] = m;
        let traces = DVec3::from_array(m.map(|part| part.x_axis.x + part.y_axis.y + part.z_axis.z));
        let contracted = x.x_axis + y.y_axis + z.z_axis;
        let cubic = [
            x.x_axis.x,
            y.y_axis.y,
            z.z_axis.z,
            2.0 * x.x_axis.y + y.x_axis.x,
            2.0 * x.x_axis.z + z.x_axis.x,
            2.0 * y.y_axis.x + x.y_axis.y,
            2.0 * y.y_axis.z + z.y_axis.y,
            2.0 * z.z_axis.x + x.z_axis.z,
            2.0 * z.z_axis.y + y.z_axis.z,
            2.0 * (x.y_axis.z + y.x_axis.z + z.x_axis.y),
        ];
        Self { linear: 2.0 * contracted + traces, cubic, ..self }
    }

    /// The solid angle from far, `r` being the way from the point to the centre: the terms of the Taylor series of
    /// r · n / |r|³ up to the second derivative.
    fn seen(&self, r: DVec3, squared: f64) -> f64 {
        let first = &self.first;
        let trace = first.x_axis.x + first.y_axis.y + first.z_axis.z;
        let [xxx, yyy, zzz, xxy, xxz, yyx, yyz, zzx, zzy, xyz] = self.cubic;
        let form = r.x * r.x * (xxx * r.x + xxy * r.y + xxz * r.z)
            + r.y * r.y * (yyy * r.y + yyx * r.x + yyz * r.z)
            + r.z * r.z * (zzz * r.z + zzx * r.x + zzy * r.y)
            + xyz * r.x * r.y * r.z;
        let plain = r.dot(self.dipole) + trace;
        let squares = 3.0 * (r.dot(*first * r) + 0.5 * r.dot(self.linear));
        (plain - squares / squared + 7.5 * form / (squared * squared)) / (squared * squared.sqrt())
    }
}

/// A surface as a solid: what lies inside, how far its skin is.
#[derive(Debug)]
pub struct Solid {
    tree: Triangles,
    moments: Vec<Moment>,
}

impl Solid {
    /// Builds the tree and its moments.
    pub fn new(soup: Soup<'_>) -> Self {
        let tree = Triangles::new(soup);
        let mut this = Self { moments: Vec::with_capacity(tree.nodes.len()), tree };
        // Children follow their parents, so the list is filled from its end.
        let count = this.tree.nodes.len();
        this.moments.resize(count, Moment::NOTHING);
        let mut areas = vec![0.0; count];
        let mut seconds: Vec<Second> = vec![[DMat3::ZERO; 3]; count];
        for at in (0..count).rev() {
            let node = this.tree.nodes[at];
            let (moment, area, second) = if node.second == 0 {
                leaf(soup, &this.tree.order[node.first as usize..node.end as usize])
            } else {
                let side = |child: usize| (&this.moments[child], areas[child], &seconds[child]);
                merge(side(at + 1), side(node.second as usize))
            };
            let reach = (moment.centre - node.low).abs().max((node.high - moment.centre).abs());
            this.moments[at] =
                Moment { far_squared: reach.length_squared() * FAR * FAR, ..moment.with_second(&second) };
            (areas[at], seconds[at]) = (area, second);
        }
        this
    }

    /// The winding number: one inside a closed surface that faces outward, nothing outside, something between them
    /// near holes. Within a few
    /// thousandths of the sum over all triangles.
    pub fn winding(&self, soup: Soup<'_>, point: DVec3) -> f64 {
        let mut stack = [0_u32; 64];
        let mut depth = usize::from(!self.tree.nodes.is_empty());
        let mut sum = 0.0;
        while depth > 0 {
            depth -= 1;
            let at = stack[depth];
            let (node, moment) = (&self.tree.nodes[at as usize], &self.moments[at as usize]);
            let to = moment.centre - point;
            let squared = to.length_squared();
            if squared > moment.far_squared {
                sum += moment.seen(to, squared);
            } else if node.second == 0 {
                for triangle in &self.tree.order[node.first as usize..node.end as usize] {
                    sum += solid_angle(point, soup.corners(*triangle));
                }
            } else {
                (stack[depth], stack[depth + 1]) = (node.second, at + 1);
                depth += 2;
            }
        }
        sum / (2.0 * TAU)
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

fn leaf(soup: Soup<'_>, list: &[u32]) -> (Moment, f64, Second) {
    let (mut area, mut weighted, mut plain, mut dipole) = (0.0, DVec3::ZERO, DVec3::ZERO, DVec3::ZERO);
    let face = |triangle: &u32| {
        let [a, b, c] = soup.corners(*triangle);
        ((b - a).cross(c - a) / 2.0, (a + b + c) / 3.0, [a, b, c])
    };
    for triangle in list {
        let (normal, place, _) = face(triangle);
        let size = normal.length();
        area += size;
        weighted += size * place;
        dipole += normal;
        plain += place;
    }
    let centre = if area > 0.0 { weighted / area } else { plain / list.len().max(1) as f64 };
    let (mut first, mut second) = (DMat3::ZERO, [DMat3::ZERO; 3]);
    for triangle in list {
        let (normal, place, corners) = face(triangle);
        let off = place - centre;
        first += outer(normal, off);
        // A triangle's own spread about its middle is a twelfth of its corners'.
        let own = corners.map(|corner| outer(corner - place, corner - place));
        let spread = outer(off, off) + (own[0] + own[1] + own[2]) * (1.0 / 12.0);
        for (part, size) in second.iter_mut().zip(normal.to_array()) {
            *part += spread * size;
        }
    }
    (Moment { centre, dipole, first, ..Moment::NOTHING }, area, second)
}

/// A part: its moments, its area, its second moment.
type Part<'p> = (&'p Moment, f64, &'p Second);

fn merge(a: Part<'_>, b: Part<'_>) -> (Moment, f64, Second) {
    let area = a.1 + b.1;
    let centre = if area > 0.0 {
        (a.0.centre * a.1 + b.0.centre * b.1) / area
    } else {
        (a.0.centre + b.0.centre) / 2.0
    };
    let (mut first, mut second) = (DMat3::ZERO, [DMat3::ZERO; 3]);
    for (part, _, own) in [a, b] {
        let by = part.centre - centre;
        first += part.first + outer(part.dipole, by);
        let rows = part.first.transpose();
        for axis in 0..3 {
            let row = rows.col(axis);
            let across = outer(row, by);
            second[axis] += own[axis] + across + across.transpose() + outer(by, by) * part.dipole[axis];
        }
    }
    (Moment { centre, dipole: a.0.dipole + b.0.dipole, first, ..Moment::NOTHING }, area, second)
}

/// u ⊗ v.
fn outer(u: DVec3, v: DVec3) -> DMat3 {
    DMat3::from_cols(u * v.x, u * v.y, u * v.z)
}

/// The signed solid angle of a triangle (Van Oosterom, Strackee: The Solid Angle of a Plane Triangle, IEEE Trans.
/// Biomed. Eng. 30(2), 1983).
fn solid_angle(point: DVec3, corners: [DVec3; 3]) -> f64 {
    let [a, b, c] = corners.map(|corner| corner - point);
    let (la, lb, lc) = (a.length(), b.length(), c.length());
    let below = la * lb * lc + a.dot(b) * lc + b.dot(c) * la + c.dot(a) * lb;
    2.0 * a.dot(b.cross(c)).atan2(below)
}

#[cfg(test)]
mod tests {
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
