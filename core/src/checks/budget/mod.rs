//! What a target can afford. Off unless a profile turns them on: there is no limit that holds for every target.

pub mod bytes;
pub mod influences;
pub mod joints;
pub mod palette;
pub mod vertices;
