//! The pose a skin was bound in, against the skeleton as it is now.

pub mod edited_after;
pub mod posed_rest;
