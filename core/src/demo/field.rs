//! The body as an implicit surface: a smooth union of round cones, negative inside. Metres.

use glam::DVec3;

/// A tapered segment with round ends.
#[derive(Debug, Clone, Copy)]
pub(super) struct Cone {
    pub(super) a: DVec3,
    pub(super) b: DVec3,
    pub(super) ra: f64,
    pub(super) rb: f64,
}

impl Cone {
    /// Distance to its surface (linear taper; exact for equal radii, a close bound otherwise).
    pub(super) fn distance(&self, p: DVec3) -> f64 {
        let axis = self.b - self.a;
        let length = axis.length_squared();
        let along = if length > 0.0 { ((p - self.a).dot(axis) / length).clamp(0.0, 1.0) } else { 0.0 };
        p.distance(self.a + axis * along) - (self.ra + (self.rb - self.ra) * along)
    }

    /// Lowest and highest corner.
    pub(super) fn bounds(&self) -> (DVec3, DVec3) {
        let (low, high) = (DVec3::splat(self.ra), DVec3::splat(self.rb));
        ((self.a - low).min(self.b - high), (self.a + low).max(self.b + high))
    }
}

/// The union, blended over `blend` metres by the polynomial smooth minimum.
pub(super) fn union(cones: &[Cone], blend: f64, p: DVec3) -> f64 {
    let mut total = f64::INFINITY;
    for cone in cones {
        let d = cone.distance(p);
        if !total.is_finite() {
            total = d;
            continue;
        }
        // Quadratic smooth minimum; a cone far from the surface changes nothing.
        let h = (blend - (total - d).abs()).max(0.0) / blend;
        total = total.min(d) - h * h * blend * 0.25;
    }
    total
}
