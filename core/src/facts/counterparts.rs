//! Which joint of a reference skeleton each joint of a rig is: by name, and where names differ by place.

use std::collections::BTreeMap;

use super::Facts;
use crate::model::JointId;

/// Lists of siblings longer than this are not paired by place: that takes the square of their length.
const MOST_SIBLINGS: usize = 256;

/// The joints of two skeletons, paired.
#[derive(Debug)]
pub struct Counterparts {
    /// For each joint of the reference, the rig's.
    pub of_reference: Vec<Option<JointId>>,
    /// For each joint of the rig, the reference's.
    pub of_rig: Vec<Option<JointId>>,
    /// Joints of the rig that were paired by place alone, with the reference's.
    pub renamed: Vec<(JointId, JointId)>,
}

impl Counterparts {
    /// Pairs the joints of `rig` and `reference`. Joints of other names are the same where they hang from the same
    /// joint at the same offset, within `tolerance` (metres).
    pub fn new(rig: &Facts<'_>, reference: &Facts<'_>, tolerance: f64) -> Self {
        let mut out = Self {
            of_reference: vec![None; reference.rig().joints.len()],
            of_rig: vec![None; rig.rig().joints.len()],
            renamed: Vec::new(),
        };
        let (ours, theirs) = (by_name(rig), by_name(reference));
        for (name, joint) in &ours {
            if let Some(wanted) = theirs.get(name) {
                out.pair(*joint, *wanted);
            }
        }
        // From the roots down, so that a limb whose every name differs is paired joint by joint.
        for wanted in &reference.tree().order {
            if out.of_reference[wanted.index()].is_some() {
                continue;
            }
            let above = reference.tree().parent[wanted.index()];
            let hung = above.map(|above| out.of_reference[above.index()]);
            let siblings: Vec<JointId> = match hung {
                Some(None) => continue,
                Some(Some(parent)) => rig.tree().children[parent.index()].clone(),
                None => rig.tree().roots().collect(),
            };
            if siblings.len() > MOST_SIBLINGS {
                continue;
            }
            let place =
                reference.origin(*wanted) - above.map_or(glam::DVec3::ZERO, |up| reference.origin(up));
            let off = |joint: &JointId| {
                let up = rig.tree().parent[joint.index()];
                let here = rig.origin(*joint) - up.map_or(glam::DVec3::ZERO, |up| rig.origin(up));
                here.distance(place)
            };
            let nearest = siblings
                .into_iter()
                .filter(|joint| out.of_rig[joint.index()].is_none())
                .map(|joint| (off(&joint), joint))
                .filter(|(off, _)| *off <= tolerance)
                .min_by(|a, b| a.0.total_cmp(&b.0));
            if let Some((_, joint)) = nearest {
                out.pair(joint, *wanted);
                out.renamed.push((joint, *wanted));
            }
        }
        out
    }

    fn pair(&mut self, joint: JointId, wanted: JointId) {
        self.of_rig[joint.index()] = Some(wanted);
        self.of_reference[wanted.index()] = Some(joint);
    }
}

/// Joints by name; of several of one name the topmost one.
fn by_name<'f>(facts: &'f Facts<'_>) -> BTreeMap<&'f str, JointId> {
    let mut found = BTreeMap::new();
    for joint in &facts.tree().order {
        let name = facts.rig().joints[joint.index()].name.as_deref().map(str::trim);
        if let Some(name) = name.filter(|name| !name.is_empty()) {
            found.entry(name).or_insert(*joint);
        }
    }
    found
}
