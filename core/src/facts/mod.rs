//! Derived facts about a rig, shared by checks and computed at most once (definitions D1 to D21 of the calibration).
//!
//! Frame and units as in [`crate::model`]. "At bind" means in the pose the skin was bound in; for a plan that is the
//! plan itself.

mod assignment;
mod axes;
mod bind;
mod counterparts;
mod keys;
mod limbs;
mod mirror;
mod side_words;
mod sides;
mod size;
mod tips;
mod tree;
mod twins;
mod twist;
mod weights;

use std::collections::BTreeMap;
use std::sync::OnceLock;

use glam::{DMat4, DVec3};

pub use axes::{Cardinal, LongAxis};
pub use bind::{Bind, BindFrame, SkinBind};
pub use counterparts::Counterparts;
pub use keys::{Keys, TimeScan, ValueScan};
pub use limbs::Hinge;
pub use mirror::{Mirror, MirrorPlane};
pub use sides::{Names, SideToken, side_token};
pub use size::Size;
pub(crate) use size::{carrier, drawn, place_at_bind};
pub use tips::{Tip, TipKind};
pub use tree::Tree;
pub use twins::Twins;
pub use twist::{Link, Twist, turn_about};
pub use weights::{Drawn, Group, JointLoad, WeightScan, Weights};

use crate::bind::{Refusal, TrialBind};
use crate::body::{Body, Patches, Reach, Skinning, Solid, Surface, inside};
use crate::check::{Observer, Unobserved};
use crate::model::{JointId, Rig, Role, Skin, Source};
use crate::parenting::{self, Doubt, Proposal};
use crate::sweep::{Asked, Sweep};

/// The facts of one rig, computed on first use.
#[derive(Debug)]
pub struct Facts<'a> {
    rig: &'a Rig,
    answers: BTreeMap<String, String>,
    tree: OnceLock<Tree>,
    bind: OnceLock<Bind>,
    weights: OnceLock<Weights>,
    size: OnceLock<Size>,
    long_axis: OnceLock<LongAxis>,
    tips: OnceLock<Vec<Tip>>,
    chains: OnceLock<Vec<Vec<JointId>>>,
    twist: OnceLock<Vec<Twist>>,
    mirror: OnceLock<Mirror>,
    twins: OnceLock<Twins>,
    names: OnceLock<Names>,
    keys: OnceLock<Keys>,
    hinges: OnceLock<Vec<Hinge>>,
    solid: OnceLock<Solid>,
    proposals: OnceLock<Vec<Proposal>>,
    doubts: OnceLock<Vec<Doubt>>,
    body: OnceLock<Option<Box<Facts<'a>>>>,
    surface: OnceLock<Surface>,
    skinning: OnceLock<Skinning>,
    reach: OnceLock<Reach>,
    patches: OnceLock<Patches>,
    sweep: OnceLock<Sweep>,
    trial_bind: OnceLock<Result<TrialBind, Refusal>>,
}

impl<'a> Facts<'a> {
    /// Nothing is computed yet.
    pub fn new(rig: &'a Rig) -> Self {
        Self {
            rig,
            answers: BTreeMap::new(),
            tree: OnceLock::new(),
            bind: OnceLock::new(),
            weights: OnceLock::new(),
            size: OnceLock::new(),
            long_axis: OnceLock::new(),
            tips: OnceLock::new(),
            chains: OnceLock::new(),
            twist: OnceLock::new(),
            mirror: OnceLock::new(),
            twins: OnceLock::new(),
            names: OnceLock::new(),
            keys: OnceLock::new(),
            hinges: OnceLock::new(),
            solid: OnceLock::new(),
            proposals: OnceLock::new(),
            doubts: OnceLock::new(),
            body: OnceLock::new(),
            surface: OnceLock::new(),
            skinning: OnceLock::new(),
            reach: OnceLock::new(),
            patches: OnceLock::new(),
            sweep: OnceLock::new(),
            trial_bind: OnceLock::new(),
        }
    }

    /// With answers to the suggester's questions, by their ids.
    #[must_use]
    pub fn with_answers(mut self, answers: BTreeMap<String, String>) -> Self {
        self.answers = answers;
        self
    }

    /// What is known of the asset's conventions: answers to the suggester's questions, by their ids.
    pub fn answers(&self) -> &BTreeMap<String, String> {
        &self.answers
    }

    /// The rig.
    pub fn rig(&self) -> &'a Rig {
        self.rig
    }

    /// Facts of a plan's body.
    pub fn body(&self) -> Option<&Facts<'a>> {
        self.body.get_or_init(|| self.rig.body.as_deref().map(|rig| Box::new(Facts::new(rig)))).as_deref()
    }

    /// All skin at bind, welded (D14); for a plan, the skin of its body.
    pub fn surface(&self) -> &Surface {
        match self.body() {
            Some(body) => body.surface(),
            None => self.surface.get_or_init(|| Surface::new(self)),
        }
    }

    /// Influences as clean rows over the surface; like it, of the body where a plan has one, with the body's joints.
    pub fn skinning(&self) -> &Skinning {
        match self.body() {
            Some(body) => body.skinning(),
            None => self.skinning.get_or_init(|| Skinning::new(self, self.surface())),
        }
    }

    /// Local radii (D13), reattached limb ends (D17), steps between joints.
    pub fn reach(&self) -> &Reach {
        match self.body() {
            Some(body) => body.reach(),
            None => self.reach.get_or_init(|| Reach::new(self, self.surface(), self.skinning())),
        }
    }

    /// Where joints have weight apart from their own skin.
    pub fn patches(&self) -> &Patches {
        match self.body() {
            Some(body) => body.patches(),
            None => self.patches.get_or_init(|| Patches::new(self)),
        }
    }

    /// What turning every joint alone does to the skin.
    pub fn sweep(&self) -> &Sweep {
        match self.body() {
            Some(body) => body.sweep(),
            None => self.sweep.get_or_init(|| Sweep::new(self, &Asked::default(), &Unobserved)),
        }
    }

    /// Sweeps as is asked for, under a watch, unless that is done; whether it came to its end.
    pub fn pose(&self, asked: &Asked, observer: &dyn Observer) -> bool {
        if let Some(body) = self.body() {
            return body.pose(asked, observer);
        }
        !self.sweep.get_or_init(|| Sweep::new(self, asked, observer)).cancelled
    }

    /// The weights that the skeleton would get on the skin (of the plan's body), or why there are none.
    pub fn trial_bind(&self) -> Result<&TrialBind, Refusal> {
        let bind = || TrialBind::of(self, crate::bind::Asked::default(), &Unobserved);
        self.trial_bind.get_or_init(bind).as_ref().map_err(|refusal| *refusal)
    }

    /// Binds on trial as is asked for, under a watch, unless that is done; whether it came to its end.
    pub fn bind_on_trial(&self, asked: crate::bind::Asked, observer: &dyn Observer) -> bool {
        let bind = || TrialBind::of(self, asked, observer);
        !matches!(self.trial_bind.get_or_init(bind), Err(Refusal::Cancelled))
    }

    /// The trial bind, if something asked for it and there is one.
    pub fn bound_on_trial(&self) -> Option<&TrialBind> {
        self.trial_bind.get()?.as_ref().ok()
    }

    /// The joint tree with loops cut.
    pub fn tree(&self) -> &Tree {
        self.tree.get_or_init(|| Tree::new(self.rig))
    }

    /// Bind frames (D1).
    pub fn bind(&self) -> &Bind {
        self.bind.get_or_init(|| Bind::new(self.rig))
    }

    /// The one place at which a skin draws its mesh at rest, where its joints agree on one.
    pub fn rest_space(&self, skin: &Skin) -> Option<DMat4> {
        bind::rest_space(self.rig, skin, self.s())
    }

    /// One pass over all weights.
    pub fn weights(&self) -> &Weights {
        self.weights.get_or_init(|| Weights::new(self.rig))
    }

    /// The extents at bind (D3).
    pub fn size(&self) -> &Size {
        self.size.get_or_init(|| Size::new(self))
    }

    /// S, the largest extent at bind, metres; never zero.
    pub fn s(&self) -> f64 {
        self.size().s
    }

    /// The long axis: declared, or by majority (D5).
    pub fn long_axis(&self) -> Option<Cardinal> {
        self.axes().axis
    }

    /// The long axis of one joint: on a side whose segments run against the rig's axis, the opposite.
    pub fn long_axis_of(&self, joint: JointId) -> Option<Cardinal> {
        let axis = self.long_axis()?;
        let negative = axis.negative != self.axes().reversed[joint.index()];
        Some(Cardinal { negative, ..axis })
    }

    /// The votes for a long axis.
    pub fn axes(&self) -> &LongAxis {
        self.long_axis.get_or_init(|| LongAxis::new(self))
    }

    /// Tips (D6), one per joint.
    pub fn tips(&self) -> &[Tip] {
        self.tips.get_or_init(|| tips::tips(self))
    }

    /// Chains (D7; a plan's parts): at least two joints each.
    pub fn chains(&self) -> &[Vec<JointId>] {
        self.chains.get_or_init(|| tips::chains(self))
    }

    /// Twist along the links of the chains (D8).
    pub fn twist(&self) -> &[Twist] {
        self.twist.get_or_init(|| twist::along_chains(self))
    }

    /// The mirror plane, if the rig is proven symmetric (D9).
    pub fn mirror(&self) -> Option<&MirrorPlane> {
        self.mirror.get_or_init(|| Mirror::new(self)).plane.as_ref()
    }

    /// Twins by geometry (D10); empty without a mirror plane.
    pub fn twins(&self) -> &Twins {
        self.twins.get_or_init(|| Twins::new(self))
    }

    /// What the names say: exporter numbering, sides (D12, D21).
    pub fn names(&self) -> &Names {
        self.names.get_or_init(|| Names::new(self.rig))
    }

    /// One pass over the keys of all clips.
    pub fn keys(&self) -> &Keys {
        self.keys.get_or_init(|| Keys::new(self.rig))
    }

    /// The body as a solid (D15): the plan's body, or the rig's own skin and carried meshes; `None` without triangles.
    pub fn solid(&self) -> Option<Body<'_>> {
        let owner = self.body().unwrap_or(self);
        let surface = owner.surface();
        let solid = || owner.solid.get_or_init(|| Solid::new(inside::soup(surface)));
        (!surface.triangles.is_empty()).then(|| Body::new(surface, solid()))
    }

    /// The knee or elbow of each limb (D18).
    pub fn hinges(&self) -> &[Hinge] {
        self.hinges.get_or_init(|| limbs::hinges(self))
    }

    /// Suggested parents of the joints that have none (those of a loop included).
    pub fn proposals(&self) -> &[Proposal] {
        self.proposals.get_or_init(|| parenting::proposals(self))
    }

    /// Parents that the suggester doubts strongly.
    pub fn doubts(&self) -> &[Doubt] {
        self.doubts.get_or_init(|| parenting::doubts(self))
    }

    /// Whether a joint deforms: by role in a plan, by weights in a glTF (D4).
    pub fn deforms(&self, joint: JointId) -> bool {
        match self.rig.source {
            Source::Plan => self.rig.joints[joint.index()].role == Some(Role::Deforming),
            Source::Gltf => self.weights().loads[joint.index()].deforms(),
        }
    }

    /// A joint's origin at bind, metres.
    pub fn origin(&self, joint: JointId) -> DVec3 {
        self.bind().joints[joint.index()].origin
    }

    /// Whether any vertex has weights.
    pub fn has_weights(&self) -> bool {
        self.rig.meshes.iter().flat_map(|m| &m.primitives).any(|p| !p.influences.is_empty())
    }

    /// Whether any mesh (the plan's body included) has triangles.
    pub fn has_triangles(&self) -> bool {
        let rig = self.rig.body.as_deref().unwrap_or(self.rig);
        rig.meshes.iter().flat_map(|m| &m.primitives).any(|p| !p.triangles.is_empty())
    }

    /// Whether joints have frames of their own.
    pub fn has_orientations(&self) -> bool {
        self.rig.source == Source::Gltf || self.rig.joints.iter().any(|j| j.rotation.is_some())
    }

    /// Whether any joint carries a piece.
    pub fn has_pieces(&self) -> bool {
        match self.rig.source {
            Source::Plan => {
                !self.rig.pieces.is_empty() || self.rig.joints.iter().any(|j| j.role == Some(Role::Carrying))
            }
            Source::Gltf => self.rig.nodes.iter().any(|n| n.mesh.is_some() && n.skin.is_none()),
        }
    }
}
