//! The seeded-fault bench: on sound rigs, one fault at a time at random legal places and in known strengths, and
//! whether the check finds it, names the right thing, keeps quiet at half the limit, and has a fix that closes it.
//!
//! A planter says what it changed and which subject must be named; it never asks the check. Places and numbers come
//! from [`Random`], seeded by the check's id and the number of the placement, so that a run can be repeated.

mod bench;
mod bind;
mod budget;
mod clips;
mod cloth;
mod edit;
mod forecast;
mod ground;
mod humanoid;
mod naming;
mod orientation;
mod placement;
mod policy;
mod profile;
mod random;
mod skin;
mod structure;
mod sweep;

use glam::DVec3;
use serde_json::Value;

pub use bench::{Amount, Miss, Outcome, Repair, measure};
pub use ground::{Document, Files, Ground, scene_of};
pub use humanoid::humanoids;
pub use random::Random;

use crate::facts::Facts;
use crate::model::{JointId, NodeId, Source};

/// How strong a fault is planted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Strength {
    /// There: the fault has no measure.
    There,
    /// So many times the limit (for a limit from below: the limit divided by it).
    Times(f64),
    /// The far end of what can be planted.
    Far,
}

/// One family's planters know one kind of fault each.
#[derive(Clone, Copy)]
pub struct Planter {
    /// The check that must find it.
    pub check: &'static str,
    /// The band that it breaks; the first one of the input's kind unless said.
    pub band: Option<&'static str>,
    /// The inputs it can be planted in.
    pub plan: bool,
    /// See `plan`.
    pub gltf: bool,
    /// The far end, in the band's unit; `None` for a fault that is there or not.
    pub far: Option<f64>,
    /// Plants it; `None` where the drawn place is not legal.
    pub plant: fn(&mut Site<'_>) -> Option<Planted>,
}

/// What a planter is given.
pub struct Site<'a> {
    /// The sound rig.
    pub ground: &'a Ground,
    /// Its facts.
    pub facts: &'a Facts<'a>,
    /// Where numbers come from.
    pub random: Random,
    /// How strong, in the band's unit; zero for a fault without measure.
    pub amount: f64,
    /// The same as the bench says it.
    pub strength: Strength,
    /// The band's limit.
    pub limit: f64,
}

/// A planted fault.
#[derive(Debug, Clone)]
pub struct Planted {
    /// The spoilt document.
    pub document: Document,
    /// Pointers of which the finding must name one: as its subject, or among what it lists.
    pub subjects: Vec<String>,
    /// What was done.
    pub what: String,
}

impl Site<'_> {
    /// Joints that the document lets a planter name: those with a name that no other joint and no node has.
    pub(super) fn joints(&self) -> Vec<JointId> {
        (0..self.facts.rig().joints.len()).map(JointId::new).filter(|joint| self.unique(*joint)).collect()
    }

    pub(super) fn unique(&self, joint: JointId) -> bool {
        let name = self.name(joint);
        let rig = self.facts.rig();
        !name.is_empty()
            && rig.joints.iter().filter(|other| other.name.as_deref() == Some(name)).count() == 1
            && rig.nodes.iter().filter(|other| other.name.as_deref() == Some(name)).count() <= 1
    }

    pub(super) fn name(&self, joint: JointId) -> &str {
        self.facts.rig().joints[joint.index()].name.as_deref().unwrap_or_default()
    }

    /// A joint's pointer.
    pub(super) fn pointer(&self, joint: JointId) -> String {
        match self.facts.rig().joints[joint.index()].node {
            Some(node) => node_pointer(node),
            None => format!("/joints/{}", joint.0),
        }
    }

    /// Whether a joint rests where it was bound: else a move of the one is another move of the other.
    pub(super) fn at_bind(&self, joint: JointId) -> bool {
        let rest = self.facts.rig().joints[joint.index()].origin();
        rest.distance(self.facts.origin(joint)) < 1e-4 * self.facts.s()
    }

    pub(super) fn plan(&self) -> bool {
        self.facts.rig().source == Source::Plan
    }

    /// One of a list, drawn.
    pub(super) fn draw<T: Copy>(&mut self, list: &[T]) -> Option<T> {
        self.random.pick(list)
    }

    /// Plants a fault by name.
    pub(super) fn mutate(&self, fault: &super::Mutation) -> Option<Document> {
        let mut document = self.ground.document.clone();
        match &mut document {
            Document::Plan(plan) | Document::Dressed(plan, _) => fault.plant_in_plan(plan).ok()?,
            Document::Scene(scene) => fault.plant_in_scene(scene).ok()?,
        }
        Some(document)
    }

    /// The plan, to be changed.
    pub(super) fn spoilt_plan(&self) -> Option<Value> {
        if let Document::Plan(plan) = &self.ground.document { Some(plan.clone()) } else { None }
    }

    /// A move of `metres` in the world as the document's own units and axes.
    pub(super) fn own_move(&self, by: DVec3) -> DVec3 {
        if self.plan() {
            let frame = &self.facts.rig().frame;
            frame.point_to_plan(by) - frame.point_to_plan(DVec3::ZERO)
        } else {
            by
        }
    }
}

pub(super) fn node_pointer(node: NodeId) -> String {
    format!("/nodes/{}", node.0)
}

/// Every planter, by check.
pub fn planters() -> Vec<Planter> {
    let mut all: Vec<Planter> = [
        bind::PLANTERS,
        bind::nodes::PLANTERS,
        bind::skins::PLANTERS,
        clips::PLANTERS,
        clips::range::PLANTERS,
        forecast::body::PLANTERS,
        forecast::plan::PLANTERS,
        policy::PLANTERS,
        skin::PLANTERS,
        skin::file::PLANTERS,
        skin::smooth::PLANTERS,
        skin::stray::PLANTERS,
        sweep::contact::PLANTERS,
        sweep::far::PLANTERS,
        sweep::field::PLANTERS,
        sweep::seam::PLANTERS,
    ]
    .concat();
    let split = [budget::ALL, naming::ALL, orientation::ALL, placement::ALL, structure::ALL];
    all.extend(split.concat().concat());
    all.sort_by_key(|planter| planter.check);
    all
}
