//! Parents, roots and names of joints as a structure.

pub mod cycle;
pub mod doubtful_parent;
pub mod duplicate_name;
pub mod part_anchor;
pub mod root;
pub mod unknown_parent;
