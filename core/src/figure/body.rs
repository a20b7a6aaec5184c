//! The body as triangles where a figure shows them: a glTF as its rest pose shows it, a plan's body as it was bound,
//! which is what the plan was made for.

use glam::{DMat4, DVec3};
use rayon::prelude::*;

use crate::facts::{Facts, drawn, place_at_bind};
use crate::model::{NodeId, Primitive, Rig, SkinId};

/// Vertices of one figure: a carried mesh can be drawn by thousands of nodes.
const MOST_VERTICES: usize = 16_000_000;
/// Triangles of one figure.
const MOST_TRIANGLES: usize = 32_000_000;
/// Vertices per unit of parallel work.
const CHUNK: usize = 8_192;

/// Triangles at finite places, metres, rig frame.
#[derive(Debug, Default)]
pub(super) struct Shape {
    pub(super) points: Vec<DVec3>,
    pub(super) triangles: Vec<[u32; 3]>,
    /// Triangles that point past their vertices, or have a corner at no finite place.
    pub(super) broken: u64,
    /// Primitives left out because the body would be too large.
    pub(super) left_out: u64,
}

impl Shape {
    pub(super) fn new(facts: &Facts<'_>) -> Self {
        match facts.body() {
            Some(body) => Self::of(body, false),
            None => Self::of(facts, true),
        }
    }

    fn of(facts: &Facts<'_>, at_rest: bool) -> Self {
        let rig = facts.rig();
        let mut shape = Self::default();
        let mut seen = std::collections::BTreeSet::new();
        for (node, mesh) in drawn(rig) {
            let skin = rig.nodes[node.index()].skin;
            // However many nodes draw it, a skinned mesh stands where its joints put it, unless a node has morph weights of its own.
            let own = !rig.nodes[node.index()].morph_weights.is_empty();
            if !own && skin.is_some_and(|skin| !seen.insert((mesh, skin))) {
                continue;
            }
            for primitive in &rig.meshes[mesh.index()].primitives {
                let morphs = rig.morphs(node, mesh);
                shape.add(facts, node, skin.filter(|_| at_rest), morphs, primitive);
            }
        }
        shape
    }

    fn add(
        &mut self,
        facts: &Facts<'_>,
        node: NodeId,
        skin: Option<SkinId>,
        morphs: &[f64],
        primitive: &Primitive,
    ) {
        if primitive.triangles.is_empty() {
            return;
        }
        if self.points.len() + primitive.positions.len() > MOST_VERTICES
            || self.triangles.len() + primitive.triangles.len() > MOST_TRIANGLES
        {
            self.left_out += 1;
            return;
        }
        let first = self.points.len();
        let still = place_at_bind(facts, node);
        let matrices = skin.map(|skin| matrices(facts.rig(), skin));
        let place = |vertex: usize| {
            let point = primitive.place(vertex, morphs).unwrap_or(DVec3::NAN);
            matrices
                .as_deref()
                .and_then(|matrices| skinned(matrices, primitive, vertex, point))
                .unwrap_or_else(|| still.transform_point3(point))
        };
        self.points.par_extend((0..primitive.positions.len()).into_par_iter().with_min_len(CHUNK).map(place));
        let points = &self.points[first..];
        let finite = |corner: &u32| points.get(*corner as usize).is_some_and(|point| point.is_finite());
        let before = self.triangles.len();
        let sound = primitive.triangles.iter().filter(|corners| corners.iter().all(finite));
        self.triangles.extend(sound.map(|corners| corners.map(|corner| corner + first as u32)));
        self.broken += (primitive.triangles.len() - (self.triangles.len() - before)) as u64;
    }

    /// Lowest and highest corner; `None` without triangles.
    pub(super) fn bounds(&self) -> Option<(DVec3, DVec3)> {
        let corners = self.triangles.iter().flatten().map(|corner| self.points[*corner as usize]);
        corners.fold(None, |bounds, point| {
            let (low, high) = bounds.unwrap_or((point, point));
            Some((low.min(point), high.max(point)))
        })
    }
}

/// Where each slot of a skin takes what is bound to it.
fn matrices(rig: &Rig, skin: SkinId) -> Vec<Option<DMat4>> {
    let skin = &rig.skins[skin.index()];
    let of = |(slot, joint): (usize, &crate::model::JointId)| {
        let inverse = match &skin.inverse_bind {
            None => DMat4::IDENTITY,
            Some(list) => *list.get(slot)?,
        };
        Some(rig.joints[joint.index()].rest * inverse).filter(DMat4::is_finite)
    };
    skin.joints.iter().enumerate().map(of).collect()
}

/// glTF 2.0 §3.7.3 with the weights scaled to one; nothing for a vertex that no joint of the skin holds.
fn skinned(matrices: &[Option<DMat4>], primitive: &Primitive, vertex: usize, point: DVec3) -> Option<DVec3> {
    let (mut sum, mut total) = (DVec3::ZERO, 0.0);
    for set in &primitive.influences {
        let (joints, weights) = (set.joints.get(vertex)?, set.weights.get(vertex)?);
        for (joint, weight) in joints.iter().zip(weights) {
            let weight = f64::from(*weight);
            if weight != 0.0
                && let Some(Some(matrix)) = matrices.get(usize::from(*joint))
            {
                sum += matrix.transform_point3(point) * weight;
                total += weight;
            }
        }
    }
    let place = sum / total;
    (total > 0.0 && place.is_finite()).then_some(place)
}
