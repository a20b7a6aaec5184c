//! Parents, roots and names of joints as a structure.

pub mod cycle;
pub mod duplicate_name;
pub mod reference;
pub mod root;
pub mod unknown_parent;
