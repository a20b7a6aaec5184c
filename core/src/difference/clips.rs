//! Whether clips made for the older skeleton play on the newer one.

use std::collections::{BTreeMap, BTreeSet};

use super::skeleton::Compared;
use super::{ClipPlay, LostChannel, Playable};
use crate::model::{Channel, ChannelPath, Clip, JointId, MeshId, Node, Rig};

/// Joints and nodes named in an answer per clip; the rest is only counted.
const MOST_NAMED: usize = 50;
/// Channels named in an answer per clip.
const MOST_LOST: usize = 200;

pub(super) fn play(compared: &Compared<'_>) -> Vec<ClipPlay> {
    let by_name: BTreeMap<&str, usize> =
        compared.new_names.iter().enumerate().map(|(index, name)| (name.as_str(), index)).collect();
    let nodes: BTreeMap<&str, &Node> =
        compared.now.nodes.iter().rev().filter_map(|node| Some((node.name.as_deref()?, node))).collect();
    let names = |clip: &Clip| clip.name.clone();
    let clips = &compared.before.clips;
    clips
        .iter()
        .enumerate()
        .map(|(number, clip)| {
            let title = names(clip).unwrap_or_else(|| format!("clip {number}"));
            one(compared, (&by_name, &nodes), clip, title)
        })
        .collect()
}

fn one(
    compared: &Compared<'_>,
    (by_name, nodes): (&BTreeMap<&str, usize>, &BTreeMap<&str, &Node>),
    clip: &Clip,
    title: String,
) -> ClipPlay {
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
            // As a node that is no joint any more it plays, but as something else.
            let list = if nodes.contains_key(name.as_str()) { &mut changed } else { &mut missing };
            list.push(name.clone());
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
    let lost: Vec<LostChannel> =
        clip.channels.iter().filter_map(|channel| lost(compared, by_name, nodes, channel)).collect();
    let lost_channels = lost.len() as u64;
    // Nodes that are no joints are found by their names, too: a prop, or a face of morph targets.
    let mut known: BTreeSet<String> = missing.iter().cloned().collect();
    for one in lost.iter().filter(|one| one.reason == GONE) {
        if known.insert(one.target.clone()) {
            missing.push(one.target.clone());
        }
    }
    let none = lost_channels > 0
        && lost_channels == clip.channels.iter().filter(|one| one.node.is_some()).count() as u64;
    let plays = match (lost.len(), changed.len()) {
        (0, 0) => Playable::Same,
        (0, _) => Playable::Otherwise,
        _ if none => Playable::No,
        _ => Playable::Partly,
    };
    let (missing_targets, changed_joints) = (missing.len() as u64, changed.len() as u64);
    missing.truncate(MOST_NAMED);
    changed.truncate(MOST_NAMED);
    let lost = lost.into_iter().take(MOST_LOST).collect();
    ClipPlay {
        clip: title,
        plays,
        missing,
        missing_targets,
        changed,
        changed_joints,
        lost,
        lost_channels,
        channels: clip.channels.len() as u64,
    }
}

const GONE: &str = "there is nothing of this name";

/// A channel that finds nothing to drive, or nothing that it fits.
fn lost(
    compared: &Compared<'_>,
    by_name: &BTreeMap<&str, usize>,
    nodes: &BTreeMap<&str, &Node>,
    channel: &Channel,
) -> Option<LostChannel> {
    let path = match channel.path {
        ChannelPath::Translation => "translation",
        ChannelPath::Rotation => "rotation",
        ChannelPath::Scale => "scale",
        ChannelPath::Weights => "weights",
        // What an extension defines is for who reads the extension.
        ChannelPath::Other => return None,
    };
    let node = compared.before.nodes.get(channel.node?.index())?;
    let told = |target: &str, reason: &str| {
        Some(LostChannel { target: target.to_owned(), path: path.to_owned(), reason: reason.to_owned() })
    };
    let joint = node.joint.map(|joint| compared.old_names[joint.index()].as_str());
    if joint.is_some_and(|name| by_name.contains_key(name)) {
        return None;
    }
    // Without a name nobody can find it in another file.
    let name = joint.or(node.name.as_deref())?;
    let Some(other) = nodes.get(name) else {
        return told(name, GONE);
    };
    let (was, is) = (targets(compared.before, node.mesh), targets(compared.now, other.mesh));
    if channel.path == ChannelPath::Weights && was != is {
        return told(name, &format!("it drives {was} morph targets, and there are {is}"));
    }
    None
}

fn targets(rig: &Rig, mesh: Option<MeshId>) -> u32 {
    let mesh = mesh.and_then(|mesh| rig.meshes.get(mesh.index()));
    mesh.and_then(|mesh| mesh.primitives.first()).map_or(0, |first| first.morph_targets)
}
