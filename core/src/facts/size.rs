//! The extents at bind (D3).

use glam::DVec3;

use super::Facts;
use crate::model::{MeshId, NodeId, Rig};

/// The box at bind, rig frame, metres.
#[derive(Debug, Clone, Copy)]
pub struct Size {
    /// Lowest corner.
    pub low: DVec3,
    /// Highest corner.
    pub high: DVec3,
    /// The largest extent; never zero.
    pub s: f64,
}

impl Size {
    pub(super) fn new(facts: &Facts<'_>) -> Self {
        if let Some(body) = facts.body()
            && body.has_triangles()
        {
            return *body.size();
        }
        let rig = facts.rig();
        let mut bounds = Bounds::default();
        for (node, mesh) in drawn(rig) {
            let place = place_at_bind(facts, node);
            for primitive in &rig.meshes[mesh.index()].primitives {
                for position in &primitive.positions {
                    bounds.add(place.transform_point3(DVec3::from(position.map(f64::from))));
                }
            }
        }
        if bounds.empty() {
            for (joint, frame) in rig.joints.iter().zip(&facts.bind().joints) {
                bounds.add(frame.origin);
                if let Some(tip) = joint.tip {
                    bounds.add(tip);
                }
            }
        }
        bounds.finish()
    }
}

/// Meshes that belong to the character: skinned ones and ones carried by a joint; all of them where there is no joint, and of
/// a plan's body that has no skinned one.
pub(crate) fn drawn(rig: &Rig) -> impl Iterator<Item = (NodeId, MeshId)> + '_ {
    rig.nodes.iter().enumerate().filter_map(|(index, node)| {
        let id = NodeId::new(index);
        let mesh = node.mesh?;
        let all = rig.joints.is_empty() || rig.whole;
        (all || node.skin.is_some() || carrier(rig, id).is_some()).then_some((id, mesh))
    })
}

/// The nearest joint at or above a node.
pub(crate) fn carrier(rig: &Rig, node: NodeId) -> Option<crate::model::JointId> {
    let mut at = Some(node);
    while let Some(id) = at {
        if let Some(joint) = rig.nodes[id.index()].joint {
            return Some(joint);
        }
        at = rig.nodes[id.index()].parent;
    }
    None
}

/// Mesh space to the world at bind, for the mesh that a node draws.
pub(crate) fn place_at_bind(facts: &Facts<'_>, node: NodeId) -> glam::DMat4 {
    let rig = facts.rig();
    let this = &rig.nodes[node.index()];
    if let Some(skin) = this.skin {
        return facts.bind().skins[skin.index()].mesh_to_world;
    }
    let Some(joint) = carrier(rig, node) else { return this.world };
    let rest = rig.joints[joint.index()].rest;
    let frame = &facts.bind().joints[joint.index()];
    if !frame.from_matrix || rest.determinant() == 0.0 || !rest.is_finite() {
        return this.world;
    }
    let basis = glam::DMat3::from_cols(
        frame.basis.x_axis * frame.scale.x,
        frame.basis.y_axis * frame.scale.y,
        frame.basis.z_axis * frame.scale.z,
    );
    glam::DMat4::from_mat3_translation(basis, frame.origin) * rest.inverse() * this.world
}

struct Bounds {
    low: DVec3,
    high: DVec3,
}

impl Default for Bounds {
    fn default() -> Self {
        Self { low: DVec3::INFINITY, high: DVec3::NEG_INFINITY }
    }
}

impl Bounds {
    fn add(&mut self, point: DVec3) {
        if point.is_finite() {
            self.low = self.low.min(point);
            self.high = self.high.max(point);
        }
    }

    fn empty(&self) -> bool {
        self.low.x > self.high.x
    }

    fn finish(self) -> Size {
        if self.empty() {
            return Size { low: DVec3::ZERO, high: DVec3::ZERO, s: 1.0 };
        }
        let s = (self.high - self.low).max_element();
        Size { low: self.low, high: self.high, s: if s > 0.0 { s } else { 1.0 } }
    }
}
