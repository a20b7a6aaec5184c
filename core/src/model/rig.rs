//! The rig itself: what was read, with every index already checked against its list.

use bitflags::bitflags;
use glam::{DMat4, DQuat, DVec3};

use super::{JointId, MeshId, NodeId, PartId, SkinId};

/// Where a rig came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Source {
    /// A `condyle.plan/1` document.
    Plan,
    /// A glTF 2.0 asset.
    Gltf,
}

/// Everything that checks read. Indices between the lists are in bounds; numbers may be NaN (that is a finding).
#[derive(Debug, Clone)]
pub struct Rig {
    /// Plan or glTF.
    pub source: Source,
    /// The plan's asset name, or the default scene's name.
    pub asset: Option<String>,
    /// glTF nodes in document order; empty for plans.
    pub nodes: Vec<Node>,
    /// Joints: a plan's in document order; a glTF's are the union over its skins, in node order.
    pub joints: Vec<Joint>,
    /// Parts (plans only).
    pub parts: Vec<Part>,
    /// Pieces a plan declares.
    pub pieces: Vec<Piece>,
    /// Feet a plan declares.
    pub feet: Vec<Contact>,
    /// Groups of controls a plan declares.
    pub groups: Vec<Group>,
    /// Names the plan declares as roots; `None` when it does not say.
    pub declared_roots: Option<Vec<String>>,
    /// Meshes (glTF only).
    pub meshes: Vec<Mesh>,
    /// Skins (glTF only).
    pub skins: Vec<Skin>,
    /// Clips (glTF only).
    pub clips: Vec<Clip>,
    /// The plan's declared long and bend axes, as unit vectors of a joint's local frame.
    pub declared_long_axis: Option<DVec3>,
    /// See `declared_long_axis`.
    pub declared_bend_axis: Option<DVec3>,
    /// How the plan's own frame and units map to the rig's.
    pub frame: Frame,
    /// For a plan that came with its body: the body's glTF, read whole.
    pub body: Option<Box<Rig>>,
    /// What the file holds but could not be read, so that checks can say what they did not see.
    pub unread: Vec<Unread>,
    /// Bytes of every file of the input together.
    pub bytes: u64,
    /// Nodes that the default scene (or, without one, any scene) reaches; empty when the file has no scene.
    pub scene_roots: Vec<Vec<NodeId>>,
    /// Every mesh is the character's, though joints are there: the body of a plan, none of whose meshes is skinned.
    pub whole: bool,
    /// The humanoid map that a VRM extension declares.
    pub humanoid: Option<Humanoid>,
}

/// The map of a VRM extension from bone names to nodes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Humanoid {
    /// Of the older VRM 0.x, which requires more bones.
    pub older: bool,
    /// Bones as named, by the names of VRM 1.0; a bone without a node is a finding.
    pub bones: Vec<(String, Option<NodeId>)>,
}

/// The plan's frame against the rig's: rig = rotation · (metres × plan).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Frame {
    /// Turns plan axes into rig axes.
    pub rotation: DQuat,
    /// Metres per plan unit.
    pub metres: f64,
}

impl Frame {
    /// The glTF frame itself.
    pub const IDENTITY: Self = Self { rotation: DQuat::IDENTITY, metres: 1.0 };

    /// A rig point (metres, rig axes) in the plan's own numbers.
    pub fn point_to_plan(&self, point: DVec3) -> DVec3 {
        self.rotation.inverse() * point / self.metres
    }

    /// A rig orientation (a joint's own axes to the world's) against the plan's world axes.
    pub fn turn_to_plan(&self, turn: DQuat) -> DQuat {
        self.rotation.inverse() * turn
    }
}

bitflags! {
    /// Kinds of content that a check reads and that may be missing or unreadable.
    #[derive(Debug, Clone, Copy, PartialEq, Eq)]
    pub struct Reads: u16 {
        /// Joint origins, frames and parents.
        const JOINTS = 1;
        /// Triangles and positions.
        const MESH = 2;
        /// Joint indices and weights per vertex.
        const WEIGHTS = 4;
        /// Inverse bind matrices.
        const BIND = 8;
        /// Animation.
        const CLIPS = 16;
        /// Joint names.
        const NAMES = 32;
        /// Parts, pieces and other plan-only declarations.
        const PARTS = 64;
    }
}

/// Something the file holds that was not read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unread {
    /// What is missing because of it.
    pub reads: Reads,
    /// Why, in one sentence: lower-case start, no final stop.
    pub reason: String,
    /// JSON Pointer to the thing.
    pub pointer: String,
}

/// A node's local transform as the file gives it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Local {
    /// Translation, rotation (XYZW, not normalised), scale.
    Trs {
        /// Translation in the parent's units.
        translation: DVec3,
        /// Rotation as stored, components in XYZW order; may be off unit length or NaN.
        rotation: [f64; 4],
        /// Scale per axis.
        scale: DVec3,
    },
    /// A column-major matrix.
    Matrix(DMat4),
}

/// A glTF node.
#[derive(Debug, Clone)]
pub struct Node {
    /// The name as stored.
    pub name: Option<String>,
    /// The parent node.
    pub parent: Option<NodeId>,
    /// The children, in document order.
    pub children: Vec<NodeId>,
    /// The local transform as stored.
    pub local: Local,
    /// The global rest transform (rotations normalised on the way).
    pub world: DMat4,
    /// The mesh it draws.
    pub mesh: Option<MeshId>,
    /// The skin it draws it with.
    pub skin: Option<SkinId>,
    /// Its own default morph weights, which stand for those of its mesh; empty: the mesh's.
    pub morph_weights: Vec<f64>,
    /// The joint this node is.
    pub joint: Option<JointId>,
    /// It carries a camera or a light.
    pub camera_or_light: bool,
    /// A scene reaches it.
    pub in_scene: bool,
}

/// A joint's parent.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Parent {
    /// Another joint.
    Joint(JointId),
    /// On purpose none (a plan's `null`), or no ancestor in the joint set (glTF).
    Root,
    /// A plan leaves it open.
    Undecided,
    /// A plan names a joint that does not exist.
    Unknown(String),
}

/// What a joint is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Role {
    /// Moves skin.
    Deforming,
    /// Only carries pieces or other joints.
    Carrying,
    /// Moves other joints, for animators.
    Control,
}

/// A side of the body, the character's own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Side {
    /// +X.
    Left,
    /// −X.
    Right,
    /// On the mirror plane.
    Centre,
}

/// A range of motion, degrees.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Range {
    /// About the bend axis.
    pub bend: Option<[f64; 2]>,
    /// About the axis across long and bend.
    pub sway: Option<[f64; 2]>,
    /// About the long axis.
    pub twist: Option<[f64; 2]>,
}

/// A joint.
#[derive(Debug, Clone)]
pub struct Joint {
    /// The name as stored; glTF joints may have none.
    pub name: Option<String>,
    /// The parent in the joint set.
    pub parent: Parent,
    /// glTF: the node it is.
    pub node: Option<NodeId>,
    /// Rest transform in the world: metres, rig frame. Plans: origin and (normalised) orientation.
    pub rest: DMat4,
    /// A plan's orientation as stored, in the plan's own axes, XYZW; `None` when the plan gives none. glTF: the node's rotation.
    pub rotation: Option<[f64; 4]>,
    /// A plan's tip, metres, rig frame.
    pub tip: Option<DVec3>,
    /// A plan's role; glTF joints have none stated.
    pub role: Option<Role>,
    /// A plan's range of motion.
    pub range: Range,
    /// The part it belongs to (the first that lists it).
    pub part: Option<PartId>,
}

impl Joint {
    /// The origin at rest, metres, rig frame.
    pub fn origin(&self) -> DVec3 {
        self.rest.w_axis.truncate()
    }
}

/// The kinds of parts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
#[expect(missing_docs, reason = "the words are anatomy; product.md lists them")]
pub enum PartKind {
    Spine,
    Neck,
    Head,
    Jaw,
    Eye,
    Ear,
    Arm,
    Leg,
    Wing,
    Fin,
    Digit,
    Tail,
    Feeler,
    Brace,
    Other,
}

/// A named anatomical group of joints.
#[derive(Debug, Clone)]
pub struct Part {
    /// Its name.
    pub name: String,
    /// Its kind; `None` when the plan gives none or an unknown one.
    pub kind: Option<PartKind>,
    /// The kind as written.
    pub kind_text: Option<String>,
    /// Its side.
    pub side: Option<Side>,
    /// The joints as listed; a name that no joint has is `Err`.
    pub joints: Vec<Result<JointId, String>>,
    /// The first joint must start at its parent's tip.
    pub starts_at_parent_tip: bool,
    /// Declared different from its twin.
    pub asymmetric: bool,
    /// Not of natural proportions on purpose.
    pub stylised: bool,
}

/// A rigid object that a plan declares.
#[derive(Debug, Clone)]
pub struct Piece {
    /// Its name.
    pub name: String,
    /// The joint that carries it, or the unknown name.
    pub carried_by: Result<JointId, String>,
    /// Its pivot, metres, rig frame.
    pub pivot: Option<DVec3>,
    /// Its size, metres.
    pub size: Option<f64>,
}

/// A declared foot.
#[derive(Debug, Clone)]
pub struct Contact {
    /// The part it belongs to, or the unknown name.
    pub part: Result<PartId, String>,
    /// The contact point, metres, rig frame.
    pub contact: DVec3,
    /// The two points the foot rocks between.
    pub rocking: Option<[DVec3; 2]>,
}

/// A named set of controls.
#[derive(Debug, Clone)]
pub struct Group {
    /// Its name.
    pub name: String,
    /// The joints, or unknown names.
    pub joints: Vec<Result<JointId, String>>,
}

/// A mesh.
#[derive(Debug, Clone)]
pub struct Mesh {
    /// The name as stored.
    pub name: Option<String>,
    /// Its primitives.
    pub primitives: Vec<Primitive>,
    /// Default morph weights (mesh's own).
    pub morph_weights: Vec<f64>,
    /// Nodes that draw it.
    pub users: Vec<NodeId>,
}

/// How weights are stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WeightStorage {
    /// 32-bit float.
    Float,
    /// Normalised bytes: raw sums are integers of 255.
    Unorm8,
    /// Normalised shorts: raw sums are integers of 65535.
    Unorm16,
}

/// One set of four influences per vertex.
#[derive(Debug, Clone)]
pub struct Influences {
    /// Indices into the skin's joints, as stored.
    pub joints: Vec<[u16; 4]>,
    /// Weights, decoded to 0..1 (floats as stored: may be NaN, negative, off one).
    pub weights: Vec<[f32; 4]>,
    /// Storage of the weights.
    pub storage: WeightStorage,
}

/// A primitive, decoded.
#[derive(Debug, Clone)]
pub struct Primitive {
    /// Positions in mesh space (dequantised by `normalized` only; the nodes do the rest).
    pub positions: Vec<[f32; 3]>,
    /// Triangles (lists, strips and fans turned into lists); empty for points and lines. Indices may lie
    /// outside `positions`: that is a finding (skin/bad-vertex), so look before use.
    pub triangles: Vec<[u32; 3]>,
    /// Influence sets 0, 1, … that are complete.
    pub influences: Vec<Influences>,
    /// Attribute set numbers present as JOINTS_n and as WEIGHTS_n (for half sets and gaps).
    pub joint_sets: Vec<u32>,
    /// See `joint_sets`.
    pub weight_sets: Vec<u32>,
    /// Number of morph targets.
    pub morph_targets: u32,
    /// Position deltas per morph target; empty for a target that no default weight of the file moves.
    pub morph_positions: Vec<Vec<[f32; 3]>>,
    /// glTF primitive mode (0 points … 6 triangle fan).
    pub mode: u8,
    /// Whether its positions could be read.
    pub readable: bool,
}

impl Primitive {
    /// Where a vertex stands before any joint moves it: morph targets come first (glTF 2.0 §3.7.2.2).
    pub fn place(&self, vertex: usize, morphs: &[f64]) -> Option<DVec3> {
        let mut place = DVec3::from(self.positions.get(vertex)?.map(f64::from));
        for (deltas, weight) in self.morph_positions.iter().zip(morphs).filter(|(_, weight)| **weight != 0.0)
        {
            if let Some(delta) = deltas.get(vertex) {
                place += DVec3::from(delta.map(f64::from)) * *weight;
            }
        }
        Some(place)
    }
}

impl Rig {
    /// The default morph weights with which a node draws a mesh: its own, else the mesh's.
    pub fn morphs(&self, node: NodeId, mesh: MeshId) -> &[f64] {
        let own = &self.nodes[node.index()].morph_weights;
        if own.is_empty() { &self.meshes[mesh.index()].morph_weights } else { own }
    }
}

/// A skin.
#[derive(Debug, Clone)]
pub struct Skin {
    /// The name as stored.
    pub name: Option<String>,
    /// Joints in the skin's own order.
    pub joints: Vec<JointId>,
    /// Inverse bind matrices as stored (column-major); may be fewer or more than joints. `None`: absent (identity)
    /// or unreadable (then `bind_unread`).
    pub inverse_bind: Option<Vec<DMat4>>,
    /// The accessor exists but could not be read.
    pub bind_unread: bool,
    /// `skin.skeleton`.
    pub skeleton: Option<NodeId>,
    /// Nodes that draw a mesh with this skin.
    pub users: Vec<NodeId>,
}

/// What a channel drives.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ChannelPath {
    /// Metres in the parent's frame, 3 numbers a key.
    Translation,
    /// XYZW, 4 numbers a key.
    Rotation,
    /// 3 numbers a key.
    Scale,
    /// Morph weights.
    Weights,
    /// Something an extension defines.
    Other,
}

/// How keys are joined.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[expect(missing_docs, reason = "the words are glTF's")]
pub enum Interpolation {
    Linear,
    Step,
    CubicSpline,
}

/// One animated property.
#[derive(Debug, Clone)]
pub struct Channel {
    /// The node it drives.
    pub node: Option<NodeId>,
    /// The property.
    pub path: ChannelPath,
    /// The interpolation.
    pub interpolation: Interpolation,
    /// Seconds.
    pub times: std::sync::Arc<[f32]>,
    /// Values, flat; cubic splines hold in-tangent, value, out-tangent per key.
    pub values: std::sync::Arc<[f32]>,
    /// Both accessors could be read.
    pub readable: bool,
}

impl Channel {
    /// Numbers per value.
    pub fn width(&self) -> usize {
        match self.path {
            ChannelPath::Rotation => 4,
            ChannelPath::Translation | ChannelPath::Scale => 3,
            ChannelPath::Weights | ChannelPath::Other => 1,
        }
    }

    /// The value at key `key` (without tangents), if the data reach that far.
    pub fn key(&self, key: usize) -> Option<&[f32]> {
        let width = self.width();
        let start = match self.interpolation {
            Interpolation::CubicSpline => (key * 3 + 1) * width,
            _ => key * width,
        };
        self.values.get(start..start + width)
    }
}

/// An animation.
#[derive(Debug, Clone)]
pub struct Clip {
    /// The name as stored.
    pub name: Option<String>,
    /// Its channels.
    pub channels: Vec<Channel>,
}
