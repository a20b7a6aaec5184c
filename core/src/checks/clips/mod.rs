//! Animation: keys that cannot be played, and motion that a skeleton does not mean.

pub mod r#loop;
pub mod range;
pub mod root_drift;
pub mod rotation;
pub mod scale;
pub mod target;
pub mod times;
