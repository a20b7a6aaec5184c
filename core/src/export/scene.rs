//! A scene as plain data. Metres, +Y up, facing +Z; quaternions XYZW; matrices column-major.

use crate::model::Interpolation;

/// What a file will hold.
#[derive(Debug, Clone, Default)]
pub struct Scene {
    /// Nodes; parents before children is not required.
    pub nodes: Vec<SceneNode>,
    /// Meshes.
    pub meshes: Vec<SceneMesh>,
    /// Skins.
    pub skins: Vec<SceneSkin>,
    /// Clips.
    pub clips: Vec<SceneClip>,
    /// Nodes without parent that the file's scene leaves out.
    pub off_scene: Vec<usize>,
    /// Mesh and vertex attribute that the file leaves out, to make broken files.
    pub left_out: Vec<(usize, String)>,
    /// Skin and node: what `skin.skeleton` says.
    pub skeletons: Vec<(usize, usize)>,
    /// Bone and node of a VRM 1.0 humanoid map; without any, the file has no map.
    pub humanoid: Vec<(String, usize)>,
}

/// A node.
#[derive(Debug, Clone)]
pub struct SceneNode {
    /// Its name.
    pub name: Option<String>,
    /// Its parent.
    pub parent: Option<usize>,
    /// Translation, parent's units.
    pub translation: [f64; 3],
    /// Rotation, written as it is.
    pub rotation: [f64; 4],
    /// Scale.
    pub scale: [f64; 3],
    /// The mesh it draws.
    pub mesh: Option<usize>,
    /// The skin it draws it with.
    pub skin: Option<usize>,
}

/// A mesh of one primitive.
#[derive(Debug, Clone, Default)]
pub struct SceneMesh {
    /// Its name.
    pub name: String,
    /// Positions, metres.
    pub positions: Vec<[f32; 3]>,
    /// Unit normals.
    pub normals: Vec<[f32; 3]>,
    /// Corners of triangles, three each.
    pub indices: Vec<u32>,
    /// Influences per vertex; empty for a mesh without skin.
    pub influences: Vec<Vec<(u16, f32)>>,
    /// Linear RGBA per vertex; empty where the colour of the mesh says all.
    pub colours: Vec<[u8; 4]>,
    /// Linear RGBA.
    pub colour: [f32; 4],
}

/// A skin.
#[derive(Debug, Clone)]
pub struct SceneSkin {
    /// Its name.
    pub name: String,
    /// Nodes, in the order of the influences' indices.
    pub joints: Vec<usize>,
    /// Inverse bind matrices.
    pub inverse_bind: Option<Vec<[f32; 16]>>,
}

/// What a channel drives.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ScenePath {
    /// Three numbers a key.
    Translation,
    /// Four numbers a key.
    Rotation,
    /// Three numbers a key.
    Scale,
}

/// An animated property.
#[derive(Debug, Clone)]
pub struct SceneChannel {
    /// The node.
    pub node: usize,
    /// The property.
    pub path: ScenePath,
    /// How keys are joined.
    pub interpolation: Interpolation,
    /// Seconds.
    pub times: Vec<f32>,
    /// Values, flat.
    pub values: Vec<f32>,
}

/// A clip.
#[derive(Debug, Clone)]
pub struct SceneClip {
    /// Its name.
    pub name: String,
    /// Its channels.
    pub channels: Vec<SceneChannel>,
}
