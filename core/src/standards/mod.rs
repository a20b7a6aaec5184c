//! Tables of open standards for humanoid skeletons, as data files with their sources beside them (`SOURCES.md`).

use std::collections::BTreeMap;
use std::sync::OnceLock;

/// A bone of the VRM 1.0 humanoid.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct VrmBone {
    /// Its name: a key of `humanBones`.
    pub name: &'static str,
    /// Every humanoid has it.
    pub required: bool,
    /// The bone it hangs from; `None` for the hips.
    pub parent: Option<&'static str>,
    /// It may only exist where its parent does.
    pub needs_parent: bool,
}

/// A joint of the H-Anim hierarchy.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct HanimJoint {
    /// Its name.
    pub name: &'static str,
    /// The lowest level of articulation that has it.
    pub lowest: u8,
    /// Its parent at levels 1 to 4; `None` where the level does not have the joint.
    pub parents: [Option<&'static str>; 4],
}

impl HanimJoint {
    /// The root has no parent at any level.
    pub fn is_root(&self) -> bool {
        self.lowest == 0
    }

    /// Whether the joint exists at a level, 1 to 4.
    pub fn at(&self, level: usize) -> bool {
        self.is_root()
            || level.checked_sub(1).and_then(|at| self.parents.get(at)).is_some_and(Option::is_some)
    }
}

/// The bones of the VRM 1.0 humanoid, parents before children.
pub fn vrm() -> &'static BTreeMap<&'static str, VrmBone> {
    static TABLE: OnceLock<BTreeMap<&'static str, VrmBone>> = OnceLock::new();
    TABLE.get_or_init(|| {
        let rows = include_str!("vrm_humanoid.csv").lines().skip(1);
        let bone = |row: &'static str| {
            let mut fields = row.split(',');
            let name = fields.next()?;
            let required = fields.next()? == "yes";
            let parent = fields.next().filter(|parent| !parent.is_empty());
            Some((name, VrmBone { name, required, parent, needs_parent: fields.next()? == "yes" }))
        };
        rows.filter_map(bone).collect()
    })
}

/// The joints of the H-Anim hierarchy.
pub fn hanim() -> &'static BTreeMap<&'static str, HanimJoint> {
    static TABLE: OnceLock<BTreeMap<&'static str, HanimJoint>> = OnceLock::new();
    TABLE.get_or_init(|| {
        let rows = include_str!("hanim_joints.csv").lines().skip(1);
        let joint = |row: &'static str| {
            let mut fields = row.split(',');
            let name = fields.next()?;
            let lowest = fields.next()?.parse().ok()?;
            let mut parents = [None; 4];
            for parent in &mut parents {
                *parent = fields.next().filter(|parent| !matches!(*parent, "" | "-"));
            }
            Some((name, HanimJoint { name, lowest, parents }))
        };
        rows.filter_map(joint).collect()
    })
}

/// Names of version 1 of H-Anim for joints that version 2 calls otherwise, from memory.
pub const HANIM_OLDER_NAMES: &[(&str, &str)] = &[
    ("HumanoidRoot", "humanoid_root"),
    ("l_ankle", "l_talocrural"),
    ("r_ankle", "r_talocrural"),
    ("l_wrist", "l_radiocarpal"),
    ("r_wrist", "r_radiocarpal"),
    ("l_thumb1", "l_carpometacarpal_1"),
    ("r_thumb1", "r_carpometacarpal_1"),
];

/// Names of the thumbs in the older VRM 0.x, and the VRM 1.0 names of the same bones, from memory.
pub const VRM_OLDER_THUMBS: &[(&str, &str)] = &[
    ("leftThumbProximal", "leftThumbMetacarpal"),
    ("leftThumbIntermediate", "leftThumbProximal"),
    ("rightThumbProximal", "rightThumbMetacarpal"),
    ("rightThumbIntermediate", "rightThumbProximal"),
];
