//! Typed indices: a joint can never be looked up with a node's number.

macro_rules! id {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $name(pub u32);
        impl $name {
            /// The id of the `index`-th element.
            pub fn new(index: usize) -> Self {
                Self(index as u32)
            }
            /// The position in the rig's list.
            pub fn index(self) -> usize {
                self.0 as usize
            }
        }
    };
}

id!(
    /// A glTF node (plans have none).
    NodeId
);
id!(
    /// A joint of the skeleton.
    JointId
);
id!(
    /// A mesh.
    MeshId
);
id!(
    /// A skin.
    SkinId
);
id!(
    /// A clip.
    ClipId
);
id!(
    /// A part of a plan.
    PartId
);
