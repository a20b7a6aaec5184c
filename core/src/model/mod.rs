//! The common model that a plan or a glTF is read into.
//!
//! Frame: right-handed, +Y up, the character faces +Z, its left is +X; lengths in metres, angles in degrees
//! unless a name says radians. Nothing here judges; nothing here reads bytes.

mod ids;
mod names;
mod rig;

pub use ids::{ClipId, JointId, MeshId, NodeId, PartId, SkinId};
pub use names::nearest;
pub use rig::{
    Channel, ChannelPath, Clip, Contact, Frame, Group, Humanoid, Influences, Interpolation, Joint, Local,
    Mesh, Node, Parent, Part, PartKind, Piece, Primitive, Range, Reads, Rig, Role, Side, Skin, Source,
    Unread, WeightStorage,
};
