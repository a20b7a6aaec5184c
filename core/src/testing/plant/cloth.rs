//! The skin of a model point by point, to be changed with all copies of a vertex together.

use super::{Document, Site};
use crate::body::Surface;
use crate::export::Scene;
use crate::facts::Facts;
use crate::model::JointId;

/// Joints of a vertex with their weights.
pub(super) type Row = Vec<(JointId, f32)>;

/// A model's skin and the scene that holds it.
pub(super) struct Cloth<'a> {
    pub(super) facts: &'a Facts<'a>,
    pub(super) surface: &'a Surface,
    pub(super) scene: Scene,
}

impl<'a> Cloth<'a> {
    /// Nothing for a plan, and where a mesh is drawn more than once: there a change is more than one.
    pub(super) fn new(site: &Site<'a>) -> Option<Self> {
        let Document::Scene(scene) = &site.ground.document else { return None };
        let surface = site.facts.surface();
        let mut meshes: Vec<u32> = surface.parts.iter().map(|part| part.mesh.0).collect();
        meshes.sort_unstable();
        let twice = meshes.windows(2).any(|pair| pair[0] == pair[1]);
        let whole = surface.left_out + surface.out_of_range + surface.not_finite == 0;
        (!twice && whole).then(|| Self { facts: site.facts, surface, scene: scene.clone() })
    }

    /// Points with weights on all their copies, on a shell.
    pub(super) fn points(&self) -> Vec<u32> {
        (0..self.surface.points.len() as u32).filter(|point| self.sound(*point)).collect()
    }

    /// Whether all copies of a point follow the same joints in the same way, and triangles use it.
    pub(super) fn sound(&self, point: u32) -> bool {
        let skinning = self.facts.skinning();
        let first = skinning.row(self.surface.members(point)[0]);
        !first.is_empty()
            && self.surface.shell_of[point as usize] != u32::MAX
            && self.surface.members(point).iter().all(|vertex| {
                crate::body::skinning::difference(first, skinning.row(*vertex)) < 1e-4
                    && !skinning.row(*vertex).is_empty()
            })
    }

    /// The mesh of a point's first copy.
    pub(super) fn mesh(&self, point: u32) -> usize {
        self.surface.part_at(point).mesh.index()
    }

    /// The row of a point.
    pub(super) fn row(&self, point: u32) -> Row {
        self.facts.skinning().point_row(point).iter().map(|one| (one.joint, one.weight)).collect()
    }

    /// The weight of a joint on a point.
    pub(super) fn weight(&self, point: u32, joint: JointId) -> f32 {
        let row = self.facts.skinning().point_row(point).iter();
        row.filter(|one| one.joint == joint).map(|one| one.weight).sum()
    }

    /// The joint with most weight on a point.
    pub(super) fn owner(&self, point: u32) -> JointId {
        JointId(self.facts.skinning().dominant[point as usize])
    }

    /// Gives all copies of a point a row; nothing where a joint is not in the skin.
    pub(super) fn set(&mut self, point: u32, row: &[(JointId, f32)]) -> Option<()> {
        self.surface.members(point).iter().try_for_each(|vertex| self.set_vertex(*vertex, row))
    }

    /// Gives a vertex, by its number in the surface, a row.
    pub(super) fn set_vertex(&mut self, vertex: u32, row: &[(JointId, f32)]) -> Option<()> {
        let row = self.slots(vertex, row)?;
        let part = &self.surface.parts[self.surface.part_of(vertex)];
        let place = (vertex - part.first_vertex) as usize;
        *self.scene.meshes[part.mesh.index()].influences.get_mut(place)? = row;
        Some(())
    }

    /// A row with the numbers that joints have in the skin of a vertex.
    pub(super) fn slots(&self, vertex: u32, row: &[(JointId, f32)]) -> Option<Vec<(u16, f32)>> {
        let part = &self.surface.parts[self.surface.part_of(vertex)];
        let skin = &self.facts.rig().skins[part.skin?.index()];
        row.iter()
            .map(|(joint, weight)| {
                let slot = skin.joints.iter().position(|one| one == joint)?;
                Some((u16::try_from(slot).ok()?, *weight))
            })
            .collect()
    }

    /// Gives a joint a share of a point; the others keep the rest.
    pub(super) fn blend(&mut self, point: u32, joint: JointId, weight: f64) -> Option<()> {
        let row = blended(&self.row(point), joint, weight)?;
        self.set(point, &row)
    }

    /// Up to `count` points around one, near ones first.
    pub(super) fn around(&self, start: u32, count: usize) -> Vec<u32> {
        let mut list = vec![start];
        let mut seen = std::collections::BTreeSet::from([start]);
        let mut head = 0;
        while head < list.len() && list.len() < count {
            let next = self.surface.edges().neighbours(list[head]);
            head += 1;
            list.extend(next.iter().copied().filter(|point| seen.insert(*point)));
        }
        list.truncate(count);
        list
    }

    /// Some points and all that are next to them.
    pub(super) fn grown(&self, points: &[u32]) -> Vec<u32> {
        let next = points.iter().flat_map(|point| self.surface.edges().neighbours(*point));
        let mut all: Vec<u32> = points.iter().chain(next).copied().collect();
        all.sort_unstable();
        all.dedup();
        all
    }

    /// By joint whether it is `high` or hangs below it; limb ends that hang elsewhere hang from their limbs (D17).
    pub(super) fn below(&self, high: JointId) -> Vec<bool> {
        let attached = &self.facts.reach().attached;
        let parent = &self.facts.tree().parent;
        let up = |joint: &JointId| attached[joint.index()].or(parent[joint.index()]);
        let count = parent.len();
        let hangs = |low: usize| {
            std::iter::successors(Some(JointId::new(low)), up).take(count + 1).any(|joint| joint == high)
        };
        (0..count).map(hangs).collect()
    }

    /// How much of a point follows the marked joints.
    pub(super) fn share(&self, point: u32, below: &[bool]) -> f64 {
        let row = self.facts.skinning().point_row(point).iter();
        row.filter(|one| below[one.joint.index()]).map(|one| f64::from(one.weight)).sum()
    }

    /// A third of the triangles around each point, square metres.
    pub(super) fn areas(&self) -> Vec<f64> {
        let mut areas = vec![0.0; self.surface.points.len()];
        for triangle in 0..self.surface.triangles.len() as u32 {
            let corners = self.surface.corner_points(triangle);
            for corner in corners {
                areas[corner as usize] += self.area(triangle) / 3.0;
            }
        }
        areas
    }

    /// A triangle, square metres.
    pub(super) fn area(&self, triangle: u32) -> f64 {
        let [a, b, c] = self.surface.corner_points(triangle).map(|at| self.surface.points[at as usize]);
        (b - a).cross(c - a).length() / 2.0
    }

    /// Deforming joints that a finding may name.
    pub(super) fn joints(&self, site: &Site<'_>) -> Vec<JointId> {
        site.joints().into_iter().filter(|joint| self.facts.deforms(*joint)).collect()
    }

    /// Deforming children of a joint.
    pub(super) fn children(&self, joint: JointId) -> Vec<JointId> {
        let all = self.facts.tree().children[joint.index()].iter().copied();
        all.filter(|child| self.facts.deforms(*child)).collect()
    }

    /// The spoilt model.
    pub(super) fn done(self) -> Document {
        Document::Scene(self.scene)
    }
}

/// A row in which a joint has a share and the others keep the rest.
pub(super) fn blended(row: &[(JointId, f32)], joint: JointId, weight: f64) -> Option<Row> {
    let rest: f64 = row.iter().filter(|one| one.0 != joint).map(|one| f64::from(one.1)).sum();
    if rest <= 0.0 {
        return None;
    }
    let factor = (1.0 - weight) / rest;
    let others = row.iter().filter(|one| one.0 != joint);
    let mut out: Row = others.map(|(one, share)| (*one, (f64::from(*share) * factor) as f32)).collect();
    out.retain(|one| one.1 > 0.0);
    if weight > 0.0 {
        out.push((joint, weight as f32));
    }
    Some(out)
}

pub(super) fn mesh_pointers(mesh: usize) -> Vec<String> {
    vec![format!("/meshes/{mesh}/primitives/0"), format!("/meshes/{mesh}")]
}
