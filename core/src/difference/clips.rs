//! Whether clips made for the older skeleton play on the newer one.

use std::collections::{BTreeMap, BTreeSet};

use super::skeleton::Compared;
use super::{ClipPlay, Playable};
use crate::model::{Clip, JointId};

/// Joints named in an answer per clip; the rest is only in the word.
const MOST_NAMED: usize = 50;

pub(super) fn play(compared: &Compared<'_>) -> Vec<ClipPlay> {
    let by_name: BTreeMap<&str, usize> =
        compared.new_names.iter().enumerate().map(|(index, name)| (name.as_str(), index)).collect();
    let names = |clip: &Clip| clip.name.clone();
    let clips = &compared.before.clips;
    clips
        .iter()
        .enumerate()
        .map(|(number, clip)| {
            let title = names(clip).unwrap_or_else(|| format!("clip {number}"));
            one(compared, &by_name, clip, title)
        })
        .collect()
}

fn one(compared: &Compared<'_>, by_name: &BTreeMap<&str, usize>, clip: &Clip, title: String) -> ClipPlay {
    let node_of = |channel: &crate::model::Channel| {
        let node = channel.node?;
        compared.before.nodes.get(node.index())?.joint
    };
    let driven: BTreeSet<JointId> = clip.channels.iter().filter_map(node_of).collect();
    let (mut missing, mut changed) = (Vec::new(), Vec::new());
    for joint in &driven {
        let name = &compared.old_names[joint.index()];
        // Programs find the joint of a channel by its name.
        let Some(now) = by_name.get(name.as_str()).copied() else {
            missing.push(name.clone());
            continue;
        };
        let same = compared.matching.forth[joint.index()].is_some_and(|other| other.index() == now)
            && !compared.hangs_otherwise(*joint, now)
            && compared.moved(*joint, now, compared.tolerance()).is_none()
            && compared.turned(*joint, now).is_none();
        if !same {
            changed.push(name.clone());
        }
    }
    let plays = match (missing.len(), changed.len()) {
        (0, 0) => Playable::Same,
        (0, _) => Playable::Otherwise,
        (gone, _) if gone == driven.len() => Playable::No,
        _ => Playable::Partly,
    };
    missing.truncate(MOST_NAMED);
    changed.truncate(MOST_NAMED);
    ClipPlay { clip: title, plays, missing, changed }
}
