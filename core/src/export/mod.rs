//! Writing glTF from a scene description. The writer writes what it is told and mends nothing: tests plant faults in
//! a scene and want them in the file.

mod attributes;
mod container;
mod document;
mod scene;
mod storage;

pub use container::{write_embedded, write_glb, write_separate};
pub use scene::{Scene, SceneChannel, SceneClip, SceneMesh, SceneNode, ScenePath, SceneSkin};
pub use storage::{Storage, WeightType};
