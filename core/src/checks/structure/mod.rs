//! Parents, roots and names of joints as a structure.

pub mod cycle;
pub mod depth;
pub mod doubtful_parent;
pub mod duplicate_name;
pub mod empty_joint;
pub mod group;
pub mod part_anchor;
pub mod part_chain;
pub mod part_missing;
pub mod part_size;
pub mod reference;
pub mod root;
pub mod stray_node;
pub mod unknown_member;
pub mod unknown_parent;
pub mod unparented;
