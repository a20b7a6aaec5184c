//! What a body is moulded from: tapered segments with round ends and elliptic sections. Negative inside, metres.

use glam::DVec3;

/// A tapered segment; at `k` = 1 a round cone, else its section is an ellipse `k` times as wide along `wide`.
#[derive(Debug, Clone, Copy)]
pub(super) struct Shape {
    pub(super) a: DVec3,
    pub(super) b: DVec3,
    /// Radii across `wide` at both ends.
    pub(super) ra: f64,
    pub(super) rb: f64,
    /// Unit.
    pub(super) wide: DVec3,
    pub(super) k: f64,
    /// The bone whose skin it makes.
    pub(super) bone: usize,
    /// Shapes of one part blend among themselves first.
    pub(super) part: usize,
    /// How far the part's own shapes blend, and how far the part blends with the others, metres.
    pub(super) inner: f64,
    pub(super) outer: f64,
    /// Linear RGB.
    pub(super) colour: [f32; 3],
}

impl Shape {
    /// The point of the axis nearest to `p`, and the share of the way there.
    fn along(&self, p: DVec3) -> (DVec3, f64) {
        let axis = self.b - self.a;
        let length = axis.length_squared();
        let share = if length > 0.0 { ((p - self.a).dot(axis) / length).clamp(0.0, 1.0) } else { 0.0 };
        (self.a + axis * share, share)
    }

    /// Distance to its surface and the thin radius there. For ellipses the first-order estimate
    /// f·(f − 1)/|∇f| of the implicit form f = |p/r|, exact on the surface.
    pub(super) fn distance(&self, p: DVec3) -> (f64, f64) {
        let (centre, share) = self.along(p);
        let radius = self.ra + (self.rb - self.ra) * share;
        let off = p - centre;
        if self.k == 1.0 {
            return (off.length() - radius, radius);
        }
        let x = off.dot(self.wide);
        let y = (off.length_squared() - x * x).max(0.0);
        let (rx, ry) = (radius * self.k, radius);
        let f = (x * x / (rx * rx) + y / (ry * ry)).sqrt();
        let slope = (x * x / (rx * rx * rx * rx) + y / (ry * ry * ry * ry)).sqrt();
        let thin = rx.min(ry);
        let distance = if slope > 1e-12 { f * (f - 1.0) / slope } else { -thin };
        (distance, thin)
    }

    /// Distance to the axis, and the radii that bound the surface from within and without.
    pub(super) fn shells(&self, p: DVec3) -> (f64, f64, f64) {
        let (centre, _) = self.along(p);
        let (low, high) = (self.k.min(1.0), self.k.max(1.0));
        (p.distance(centre), self.ra.min(self.rb) * low, self.ra.max(self.rb) * high)
    }

    /// Lowest and highest corner.
    pub(super) fn bounds(&self) -> (DVec3, DVec3) {
        let reach = DVec3::splat(self.ra.max(self.rb) * self.k.max(1.0));
        (self.a.min(self.b) - reach, self.a.max(self.b) + reach)
    }

    /// The same no thinner than `least` anywhere: what a grid cannot resolve must not fall apart.
    pub(super) fn at_least(self, least: f64) -> Self {
        let width = self.k * self.ra.max(self.rb);
        let (ra, rb) = (self.ra.max(least), self.rb.max(least));
        let k = if self.k == 1.0 { 1.0 } else { width.max(least) / ra.max(rb) };
        Self { ra, rb, k, ..self }
    }

    /// Its image in the plane x = 0.
    pub(super) fn mirrored(self) -> Self {
        Self { a: mirror(self.a), b: mirror(self.b), wide: mirror(self.wide), ..self }
    }
}

pub(super) fn mirror(p: DVec3) -> DVec3 {
    DVec3::new(-p.x, p.y, p.z)
}

/// Quadratic smooth minimum: beyond `width` it is the minimum itself.
fn smooth_minimum(a: f64, b: f64, width: f64) -> f64 {
    if width <= 0.0 || !a.is_finite() {
        return a.min(b);
    }
    let h = (width - (a - b).abs()).max(0.0) / width;
    a.min(b) - h * h * width * 0.25
}

/// The union of some shapes of a body; the list keeps the shapes of a part together.
pub(super) fn union(shapes: &[Shape], list: &[u16], p: DVec3) -> f64 {
    let mut total = f64::INFINITY;
    let mut own = f64::INFINITY;
    for (place, index) in list.iter().enumerate() {
        let shape = &shapes[usize::from(*index)];
        own = smooth_minimum(own, shape.distance(p).0, shape.inner);
        if list.get(place + 1).is_none_or(|next| shapes[usize::from(*next)].part != shape.part) {
            total = smooth_minimum(total, own, shape.outer);
            own = f64::INFINITY;
        }
    }
    total
}

/// The direction in which the union grows, unit.
pub(super) fn gradient(shapes: &[Shape], list: &[u16], p: DVec3, step: f64) -> DVec3 {
    let slope = |axis: DVec3| union(shapes, list, p + axis * step) - union(shapes, list, p - axis * step);
    DVec3::new(slope(DVec3::X), slope(DVec3::Y), slope(DVec3::Z)).normalize_or(DVec3::Y)
}
