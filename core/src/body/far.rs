//! The solid angle of many triangles at once: far parts by their dipole and its first two moments, near ones triangle by
//! triangle.
//!
//! After Barill, Dickson, Schmidt, Levin, Jacobson: Fast Winding Numbers for Soups and Clouds, ACM TOG 37(4), 2018.

use std::f64::consts::TAU;

use glam::{DMat3, DVec3};

use super::triangles::{Soup, Triangles};

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

/// What a tree of triangles looks like from anywhere.
#[derive(Debug)]
pub(super) struct Moments(Vec<Moment>);

impl Moments {
    /// One for each node of the tree.
    pub(super) fn new(tree: &Triangles, soup: Soup<'_>) -> Self {
        // Children follow their parents, so the list is filled from its end.
        let count = tree.nodes.len();
        let mut moments = vec![Moment::NOTHING; count];
        let mut areas = vec![0.0; count];
        let mut seconds: Vec<Second> = vec![[DMat3::ZERO; 3]; count];
        for at in (0..count).rev() {
            let node = tree.nodes[at];
            let (moment, area, second) = if node.second == 0 {
                leaf(soup, &tree.order[node.first as usize..node.end as usize])
            } else {
                let side = |child: usize| (&moments[child], areas[child], &seconds[child]);
                merge(side(at + 1), side(node.second as usize))
            };
            let reach = (moment.centre - node.low).abs().max((node.high - moment.centre).abs());
            moments[at] =
                Moment { far_squared: reach.length_squared() * FAR * FAR, ..moment.with_second(&second) };
            (areas[at], seconds[at]) = (area, second);
        }
        Self(moments)
    }

    /// The solid angle of all triangles, as a share of the whole sphere. Within a few thousandths of the sum over them.
    pub(super) fn winding(&self, tree: &Triangles, soup: Soup<'_>, point: DVec3) -> f64 {
        let mut stack = [0_u32; 64];
        let mut depth = usize::from(!tree.nodes.is_empty());
        let mut sum = 0.0;
        while depth > 0 {
            depth -= 1;
            let at = stack[depth];
            let (node, moment) = (&tree.nodes[at as usize], &self.0[at as usize]);
            let to = moment.centre - point;
            let squared = to.length_squared();
            if squared > moment.far_squared {
                sum += moment.seen(to, squared);
            } else if node.second == 0 {
                for triangle in &tree.order[node.first as usize..node.end as usize] {
                    sum += solid_angle(point, soup.corners(*triangle));
                }
            } else {
                (stack[depth], stack[depth + 1]) = (node.second, at + 1);
                depth += 2;
            }
        }
        sum / (2.0 * TAU)
    }
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
