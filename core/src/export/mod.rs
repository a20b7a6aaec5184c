//! Writing GLB from a scene description. The writer writes what it is told and mends nothing: tests plant faults in
//! a scene and want them in the file.

mod glb;
mod scene;
mod storage;

pub use glb::write_glb;
pub use scene::{Scene, SceneChannel, SceneClip, SceneMesh, SceneNode, ScenePath, SceneSkin};
pub use storage::{Storage, WeightType};
