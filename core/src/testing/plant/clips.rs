//! Faults of clips.

pub(super) mod range;

use glam::{DQuat, DVec3};

use super::{Document, Planted, Planter, Site};
use crate::export::{Scene, SceneChannel, SceneClip, SceneNode, ScenePath};
use crate::facts::TipKind;
use crate::model::{Interpolation, JointId};

pub(super) const PLANTERS: &[Planter] = &[
    Planter { check: "clips/loop", band: None, plan: false, gltf: true, far: Some(9.5), plant: twitch },
    Planter { check: "clips/root-drift", band: None, plan: false, gltf: true, far: Some(0.5), plant: drift },
    Planter {
        check: "clips/rotation",
        band: Some("unit"),
        plan: false,
        gltf: true,
        far: Some(0.5),
        plant: off_unit,
    },
    Planter { check: "clips/scale", band: None, plan: false, gltf: true, far: Some(0.9), plant: scale },
    Planter { check: "clips/target", band: None, plan: false, gltf: true, far: None, plant: target },
    Planter { check: "clips/times", band: None, plan: false, gltf: true, far: None, plant: times },
];

/// Pictures a second, as film has them.
const PICTURES: f64 = 24.0;

fn scene(site: &Site<'_>) -> Option<Scene> {
    if let Document::Scene(scene) = &site.ground.document { Some(scene.clone()) } else { None }
}

/// Clip and channel of a path, drawn; those that `fits` takes.
fn channel(
    site: &mut Site<'_>,
    scene: &Scene,
    path: ScenePath,
    fits: impl Fn(&SceneChannel) -> bool,
) -> Option<(usize, usize)> {
    let mut all = Vec::new();
    for (clip, one) in scene.clips.iter().enumerate() {
        let channels = one.channels.iter().enumerate();
        all.extend(channels.filter(|(_, it)| it.path == path && fits(it)).map(|(at, _)| (clip, at)));
    }
    site.random.pick(&all)
}

/// Where a key's value begins, and its width: of a cubic spline the value without its tangents.
fn value_at(channel: &SceneChannel, key: usize) -> (usize, usize) {
    let width = if channel.path == ScenePath::Rotation { 4 } else { 3 };
    match channel.interpolation {
        Interpolation::CubicSpline => (key * 3 * width + width, width),
        _ => (key * width, width),
    }
}

fn turn(channel: &SceneChannel, key: usize) -> Option<DQuat> {
    let (at, width) = value_at(channel, key);
    let value = channel.values.get(at..at + width)?;
    Some(DQuat::from_array(std::array::from_fn(|c| f64::from(value[c]))))
}

fn whole(channel: &SceneChannel) -> bool {
    let (at, width) = value_at(channel, channel.times.len());
    let tangents = if channel.interpolation == Interpolation::CubicSpline { width } else { 0 };
    channel.values.len() + tangents == at && channel.times.windows(2).all(|pair| pair[0] < pair[1])
}

fn degrees_between(a: DQuat, b: DQuat) -> f64 {
    2.0 * a.normalize().dot(b.normalize()).abs().min(1.0).acos().to_degrees()
}

/// How far a channel turns in one picture at its fastest, and from its first to its last key, degrees.
fn motion(channel: &SceneChannel) -> Option<(f64, f64)> {
    let last = channel.times.len().checked_sub(1)?;
    let mut pace = 0.0_f64;
    for key in 1..=last {
        let seconds = f64::from(channel.times[key]) - f64::from(channel.times[key - 1]);
        let step = degrees_between(turn(channel, key - 1)?, turn(channel, key)?);
        pace = pace.max(step / seconds.max(1e-6) / PICTURES);
    }
    Some((pace, degrees_between(turn(channel, 0)?, turn(channel, last)?)))
}

/// A clip that ends where it begins drifts: each key is turned a little farther, the last by all of it.
fn twitch(site: &mut Site<'_>) -> Option<Planted> {
    let mut scene = scene(site)?;
    let facts = site.facts;
    let deforms = |node: usize| {
        let joint = facts.rig().nodes[node].joint;
        joint.is_some_and(|joint| facts.deforms(joint))
    };
    let slow = 0.4 * site.limit;
    let found = channel(site, &scene, ScenePath::Rotation, |channel| {
        // Faster than that, the gap is no larger than what passes in one picture, which nobody sees.
        let still = motion(channel).is_some_and(|(pace, around)| pace < slow && around < 0.05);
        channel.times.len() > 3 && whole(channel) && deforms(channel.node) && still
    });
    let (clip, at) = found?;
    // All of the clip comes back to where it began.
    let turning = scene.clips[clip].channels.iter().filter(|it| it.path == ScenePath::Rotation);
    if turning.clone().filter_map(motion).any(|(_, around)| around > 0.4 * site.limit) {
        return None;
    }
    let axis = site.random.direction();
    let channel = &mut scene.clips[clip].channels[at];
    let (first, last) = (f64::from(*channel.times.first()?), f64::from(*channel.times.last()?));
    let keys = channel.times.len();
    for key in 0..keys {
        let part = (f64::from(channel.times[key]) - first) / (last - first).max(1e-6);
        let turn = DQuat::from_axis_angle(axis, (site.amount * part).to_radians());
        let each = channel.values.len() / keys;
        for value in channel.values[key * each..(key + 1) * each].chunks_exact_mut(4) {
            let old = DQuat::from_xyzw(
                f64::from(value[0]),
                f64::from(value[1]),
                f64::from(value[2]),
                f64::from(value[3]),
            );
            // Not normalised: tangents are no rotations.
            let new = old * turn;
            value.copy_from_slice(&new.to_array().map(|c| c as f32));
        }
    }
    Some(Planted {
        document: Document::Scene(scene),
        subjects: vec![format!("/animations/{clip}")],
        what: format!("channel {at} of clip {clip} ends {:.2}° off", site.amount),
    })
}

/// A key in the middle of a new channel departs from rest; the clip is one that there is, or a new one.
fn new_channel(
    site: &mut Site<'_>,
    scene: &mut Scene,
    node: usize,
    path: ScenePath,
    (rest, there): ([f64; 3], [f64; 3]),
) -> usize {
    let free = |clip: &usize| {
        scene.clips[*clip].channels.iter().all(|channel| channel.node != node || channel.path != path)
    };
    let open: Vec<usize> = (0..scene.clips.len()).filter(free).collect();
    let clip = site.random.pick(&open).unwrap_or_else(|| {
        scene.clips.push(SceneClip { name: "drifting".into(), channels: Vec::new() });
        scene.clips.len() - 1
    });
    let second = 0.25 + site.random.unit() as f32;
    let values = [rest, there, rest].into_iter().flatten().map(|c| c as f32).collect();
    scene.clips[clip].channels.push(SceneChannel {
        node,
        path,
        interpolation: Interpolation::Linear,
        times: vec![0.0, second, 2.0 * second],
        values,
    });
    clip
}

/// A clip moves a chained joint away from the one it hangs from.
fn drift(site: &mut Site<'_>) -> Option<Planted> {
    let mut scene = scene(site)?;
    let (facts, rig) = (site.facts, site.facts.rig());
    facts.long_axis()?;
    let chained: Vec<(JointId, JointId)> = site
        .joints()
        .into_iter()
        .filter_map(|joint| match facts.tips()[joint.index()].kind {
            TipKind::Child(child) => Some((joint, child)),
            _ => None,
        })
        .filter(|(joint, child)| facts.deforms(*joint) && facts.deforms(*child))
        .filter(|(joint, child)| {
            let node = |joint: &JointId| rig.joints[joint.index()].node;
            node(child).and_then(|node| rig.nodes[node.index()].parent) == node(joint)
        })
        .collect();
    let (joint, child) = site.draw(&chained)?;
    let node = rig.joints[child.index()].node?.index();
    let still = |channel: &SceneChannel| channel.node != node || channel.path != ScenePath::Translation;
    if !scene.clips.iter().flat_map(|clip| &clip.channels).all(still) {
        return None;
    }
    let rest = DVec3::from_array(scene.nodes[node].translation);
    // The change is told as a share of the greatest length.
    let (rest, there) = if site.random.below(2) == 0 {
        (rest, rest / (1.0 - site.amount))
    } else {
        (rest, rest * (1.0 - site.amount))
    };
    let clip = new_channel(site, &mut scene, node, ScenePath::Translation, (rest.into(), there.into()));
    Some(Planted {
        document: Document::Scene(scene),
        subjects: vec![site.pointer(joint)],
        what: format!("clip {clip} changes the length of {} by {}", site.name(joint), site.amount),
    })
}

/// A clip scales a joint that deforms.
fn scale(site: &mut Site<'_>) -> Option<Planted> {
    let mut scene = scene(site)?;
    let facts = site.facts;
    let joints: Vec<JointId> = site.joints().into_iter().filter(|joint| facts.deforms(*joint)).collect();
    let joint = site.draw(&joints)?;
    let node = facts.rig().joints[joint.index()].node?.index();
    let still = |channel: &SceneChannel| channel.node != node || channel.path != ScenePath::Scale;
    if !scene.clips.iter().flat_map(|clip| &clip.channels).all(still) {
        return None;
    }
    let rest = scene.nodes[node].scale;
    let axes = 1 + site.random.below(7);
    let there = std::array::from_fn(|axis| {
        if axes >> axis & 1 == 1 { rest[axis] * (1.0 - site.amount) } else { rest[axis] }
    });
    let clip = new_channel(site, &mut scene, node, ScenePath::Scale, (rest, there));
    Some(Planted {
        document: Document::Scene(scene),
        subjects: vec![site.pointer(joint)],
        what: format!("clip {clip} scales {} by {}", site.name(joint), site.amount),
    })
}

/// A key of a rotation is too long or too short.
fn off_unit(site: &mut Site<'_>) -> Option<Planted> {
    let mut scene = scene(site)?;
    let found = channel(site, &scene, ScenePath::Rotation, |channel| {
        let unit = |key: usize| turn(channel, key).is_some_and(|turn| (turn.length() - 1.0).abs() < 1e-5);
        whole(channel) && (0..channel.times.len()).all(unit) && !channel.times.is_empty()
    });
    let (clip, at) = found?;
    let channel = &mut scene.clips[clip].channels[at];
    let key = site.random.below(channel.times.len());
    let (start, width) = value_at(channel, key);
    let factor = 1.0 + site.amount * site.random.sign();
    for c in &mut channel.values[start..start + width] {
        *c = (f64::from(*c) * factor) as f32;
    }
    Some(Planted {
        document: Document::Scene(scene),
        subjects: vec![format!("/animations/{clip}")],
        what: format!("key {key} of channel {at} of clip {clip} is {factor:.5} long"),
    })
}

/// A property is driven twice, or a node that has nothing to do with the skeleton is driven.
fn target(site: &mut Site<'_>) -> Option<Planted> {
    let mut scene = scene(site)?;
    let path = site.draw(&[ScenePath::Rotation, ScenePath::Translation, ScenePath::Scale])?;
    let (clip, at) = channel(site, &scene, path, |_| true)?;
    let mut again = scene.clips[clip].channels[at].clone();
    if site.random.below(2) == 0 {
        let place = site.random.below(scene.clips[clip].channels.len() + 1);
        if site.random.below(2) == 0 {
            // Another motion than the first one's.
            again.times.iter_mut().for_each(|time| *time *= 1.5);
        }
        let what = format!("clip {clip} drives the {path:?} of node {} twice", again.node);
        scene.clips[clip].channels.insert(place, again);
        let subjects = vec![format!("/animations/{clip}")];
        return Some(Planted { document: Document::Scene(scene), subjects, what });
    }
    let node = scene.nodes.len();
    let bell = SceneNode {
        name: Some("buoy_bell".into()),
        parent: None,
        translation: [0.0; 3],
        rotation: [0.0, 0.0, 0.0, 1.0],
        scale: [1.0; 3],
        mesh: None,
        skin: None,
    };
    scene.nodes.push(bell);
    again.node = node;
    scene.clips[clip].channels.push(again);
    let what = format!("clip {clip} drives node {node}, which is no part of the skeleton");
    Some(Planted { document: Document::Scene(scene), subjects: vec![format!("/nodes/{node}")], what })
}

/// Times that go back, below zero or nowhere; values that are no numbers or missing.
fn times(site: &mut Site<'_>) -> Option<Planted> {
    let mut scene = scene(site)?;
    let path = site.draw(&[ScenePath::Rotation, ScenePath::Translation])?;
    let (clip, at) = channel(site, &scene, path, |channel| whole(channel) && channel.times.len() > 2)?;
    let channel = &mut scene.clips[clip].channels[at];
    let count = channel.times.len();
    let key = 1 + site.random.below(count - 1);
    let what = match site.random.below(5) {
        0 => {
            channel.times[key] = channel.times[key - 1];
            "is no later than the one before"
        }
        1 => {
            channel.times[0] = -0.5 - site.random.unit() as f32;
            "is not the first below zero"
        }
        2 => {
            channel.times[key] = f32::NAN;
            "is at no time"
        }
        3 => {
            let place = site.random.below(channel.values.len());
            channel.values[place] = site.random.pick(&[f32::NAN, f32::INFINITY])?;
            "or another has a value that is no number"
        }
        _ => {
            let each = channel.values.len() / count;
            channel.values.truncate((count - 1) * each);
            "is there, and the last has no value"
        }
    };
    Some(Planted {
        document: Document::Scene(scene),
        subjects: vec![format!("/animations/{clip}")],
        what: format!("key {key} of channel {at} of clip {clip} {what}"),
    })
}
