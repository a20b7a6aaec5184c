//! Skin that no deforming joint sees from inside the body.

use glam::DVec3;

use super::TrialBind;
use crate::body::Body;

/// How deep below the skin inside is looked for, fraction of S: below, a sheet has no inside.
const DEPTH: f64 = 5e-3;

/// Skin nearer than this to a segment is held by it, seen or not: what lies between is another layer. Body radii.
const NEAR: f64 = 2.0;

/// Skin by what it sees.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Unseen {
    /// With an inside, and no segment to be seen from it, square metres.
    pub area: f64,
    /// Of sheets: skin with no inside, square metres.
    pub sheets: f64,
    /// Unseen, but near to a segment: under or over another layer, square metres.
    pub layers: f64,
    /// The unseen point that is farthest from every segment, metres.
    pub farthest: f64,
    /// The joint of the nearest segment there.
    pub nearest: u32,
}

impl TrialBind {
    /// The skin that sees nothing. Points on open borders have no inside of their own; small shells are moved by one
    /// joint whatever they see.
    pub fn unseen(&self, body: Body<'_>) -> Unseen {
        let mut unseen = Unseen::default();
        let mut normals = vec![DVec3::ZERO; self.graph.points.len()];
        for corners in &self.graph.triangles {
            let [a, b, c] = corners.map(|point| self.graph.points[point as usize]);
            let normal = (b - a).cross(c - a);
            for point in corners {
                normals[*point as usize] += normal;
            }
        }
        for (point, sight) in self.sights.iter().enumerate() {
            let shell = self.shells[self.graph.shell_of[point] as usize];
            if sight.seen || self.graph.border[point] || shell.rigid.is_some() {
                continue;
            }
            let (place, area) = (self.graph.points[point], self.graph.mass[point]);
            let step = normals[point].normalize_or_zero() * (DEPTH * self.s);
            if !body.holds(place - step) && !body.holds(place + step) {
                unseen.sheets += area;
                continue;
            }
            let near = self
                .segments
                .iter()
                .map(|segment| (segment.nearest(place).0.distance(place), segment.slot))
                .min_by(|a, b| a.0.total_cmp(&b.0));
            let Some((distance, slot)) = near else { continue };
            if distance <= NEAR * self.radius[slot as usize] {
                unseen.layers += area;
                continue;
            }
            unseen.area += area;
            if distance > unseen.farthest {
                (unseen.farthest, unseen.nearest) = (distance, slot);
            }
        }
        unseen
    }
}
