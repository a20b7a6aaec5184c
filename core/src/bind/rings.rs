//! How many rings of vertices a hinge has to bend with.

use glam::DVec3;

use super::TrialBind;

/// An edge runs along the limb if this share of its length does.
const ALONG: f64 = 0.5;

impl TrialBind {
    /// Rings of points within one body radius of a hinge along the limb; nothing where no edge of the skin crosses
    /// there, as in a body of rigid pieces.
    pub fn rings(&self, at: DVec3, along: DVec3, radius: f64) -> Option<f64> {
        let along = along.try_normalize()?;
        let beside = |place: DVec3| (place - at).reject_from_normalized(along).length();
        let mut steps = Vec::new();
        for point in 0..self.graph.points.len() as u32 {
            let place = self.graph.points[point as usize];
            let here = (place - at).dot(along);
            let shell = self.shells[self.graph.shell_of[point as usize] as usize];
            if beside(place) > 2.0 * radius || shell.rigid.is_some() {
                continue;
            }
            for (other, _) in self.graph.edges(point) {
                let end = self.graph.points[other as usize];
                let there = (end - at).dot(along);
                let step = (there - here).abs();
                // Edges that cross the hinge's plane, or lie within a radius of it.
                let crosses = here * there <= 0.0;
                let near = crosses || here.abs().min(there.abs()) <= radius;
                if near && step > ALONG * place.distance(end) && beside(end) <= 2.0 * radius {
                    steps.push((step, crosses));
                }
            }
        }
        if !steps.iter().any(|step| step.1) {
            return None;
        }
        let mut lengths: Vec<f64> = steps.into_iter().map(|step| step.0).collect();
        super::radius::median(&mut lengths).map(|step| 2.0 * radius / step)
    }
}
