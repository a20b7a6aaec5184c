//! The pose a skin was bound in, against the skeleton as it is now.

pub mod count;
pub mod edited_after;
pub mod ignored_transform;
pub mod mixed_skins;
pub mod older_skeleton;
pub mod posed_rest;
pub mod singular;
pub mod skeleton_root;
