//! Poses of the asset's own clips: the worst moment of each clip, by measure.
//!
//! A frame poses all joints at once, so it is skinned by the general rule, and measured on whole triangles: against bind, and
//! in the frame of the joint that owns the most of each triangle.

use glam::{DMat3, DMat4, DQuat, DVec3};
use rayon::prelude::*;

use super::poses::Blend;
use super::skinning::{matrix, palette, placed_nodes, skin};
use crate::body::NOWHERE;
use crate::check::Observer;
use crate::facts::Facts;
use crate::model::{Channel, ChannelPath, ClipId, Interpolation, JointId, Local, NodeId, Rig};

/// Moments of a clip that are looked at: its keys, evenly thinned where there are more.
const MOST_MOMENTS: usize = 48;
/// Vertices, triangles, nodes and joints of skins over the moments of all clips; a long clip of a large character is thinned
/// further, and the last clips are left out.
const BUDGET: usize = 180_000_000;
/// Principal stretches beyond which a triangle counts, as for single joints.
const LONG: f64 = 2.0;

/// An amount at a moment.
#[derive(Debug, Clone, Copy, Default)]
pub struct Moment {
    /// The amount: a share of the body, or metres.
    pub amount: f64,
    /// Seconds.
    pub time: f64,
    /// A point of the worst triangle, or the point that parts.
    pub point: u32,
}

/// What a clip does to the skin at its worst.
#[derive(Debug, Clone, Copy)]
pub struct Played {
    /// The clip.
    pub clip: ClipId,
    /// Moments looked at.
    pub moments: u32,
    /// Share of the body stretched to more than twice its length.
    pub stretched: Moment,
    /// Share of the body turned inside out.
    pub inverted: Moment,
    /// Widest gap between copies of a point, metres.
    pub gap: Moment,
}

/// All clips, and how many were left out because there is too much of them.
pub(super) fn clips(facts: &Facts<'_>, blend: Blend, observer: &dyn Observer) -> (Vec<Played>, u64) {
    let (rig, surface) = (facts.rig(), facts.surface());
    let joints: usize = surface
        .parts
        .iter()
        .filter_map(|part| part.skin)
        .map(|skin| rig.skins[skin.index()].joints.len())
        .sum();
    let cost = (surface.positions.len() + surface.triangles.len() + rig.nodes.len() + joints).max(1);
    let parted = super::tears::parted(surface, facts.skinning());
    let mut budget = BUDGET;
    let mut chosen: Vec<(ClipId, Vec<f64>)> = Vec::new();
    let mut left_out = 0;
    for clip in 0..rig.clips.len() {
        let moments = moments(facts, ClipId::new(clip), (budget / cost).min(MOST_MOMENTS));
        if moments.is_empty() {
            left_out += u64::from(!rig.clips[clip].channels.is_empty());
            continue;
        }
        budget -= (moments.len() * cost).min(budget);
        chosen.push((ClipId::new(clip), moments));
    }
    let played = chosen
        .into_par_iter()
        .filter(|_| !observer.cancelled())
        .map(|(clip, moments)| play(facts, clip, &moments, blend, &parted, observer))
        .collect();
    (played, left_out)
}

/// The key times of channels that move joints, each once, thinned evenly.
fn moments(facts: &Facts<'_>, clip: ClipId, most: usize) -> Vec<f64> {
    let rig = facts.rig();
    let drives = |channel: &&Channel| channel.node.is_some() && sound(channel);
    let channels = rig.clips[clip.index()].channels.iter().filter(drives);
    let mut times: Vec<f32> = channels.flat_map(|channel| channel.times.iter().copied()).collect();
    times.sort_by(f32::total_cmp);
    times.dedup();
    if times.is_empty() || most == 0 {
        return Vec::new();
    }
    let many = times.len().min(most);
    let at = |number: usize| if many == 1 { 0 } else { number * (times.len() - 1) / (many - 1) };
    (0..many).map(|number| f64::from(times[at(number)])).collect()
}

/// Whether a channel's keys can be played: what is wrong with others is another check's.
fn sound(channel: &Channel) -> bool {
    let moves = matches!(channel.path, ChannelPath::Translation | ChannelPath::Rotation | ChannelPath::Scale);
    let group = if channel.interpolation == Interpolation::CubicSpline { 3 } else { 1 };
    moves
        && channel.readable
        && !channel.times.is_empty()
        && channel.values.len() >= channel.times.len() * channel.width() * group
        && channel.times.windows(2).all(|pair| pair[0] < pair[1])
        && channel.times.iter().chain(channel.values.iter()).all(|number| number.is_finite())
}

/// A channel's value at a time (glTF 2.0 appendix C).
fn value(channel: &Channel, time: f64) -> [f64; 4] {
    let width = channel.width();
    let cubic = channel.interpolation == Interpolation::CubicSpline;
    let element = |key: usize, part: usize| {
        let start = if cubic { (key * 3 + part) * width } else { key * width };
        let mut out = [0.0; 4];
        for (out, number) in out.iter_mut().zip(&channel.values[start..start + width]) {
            *out = f64::from(*number);
        }
        out
    };
    let after = channel.times.partition_point(|key| f64::from(*key) <= time);
    if after == 0 {
        return element(0, 1);
    }
    if after == channel.times.len() {
        return element(after - 1, 1);
    }
    let (from, to) = (f64::from(channel.times[after - 1]), f64::from(channel.times[after]));
    let span = to - from;
    let t = (time - from) / span;
    let (a, b) = (element(after - 1, 1), element(after, 1));
    match channel.interpolation {
        Interpolation::Step => a,
        Interpolation::Linear if channel.path == ChannelPath::Rotation => {
            let [a, b] = [a, b].map(|q| DQuat::from_array(q).normalize());
            a.slerp(b, t).to_array()
        }
        Interpolation::Linear => std::array::from_fn(|at| a[at] + (b[at] - a[at]) * t),
        Interpolation::CubicSpline => {
            let (out, into) = (element(after - 1, 2), element(after, 0));
            let (t2, t3) = (t * t, t * t * t);
            std::array::from_fn(|at| {
                (2.0 * t3 - 3.0 * t2 + 1.0) * a[at]
                    + span * (t3 - 2.0 * t2 + t) * out[at]
                    + (3.0 * t2 - 2.0 * t3) * b[at]
                    + span * (t3 - t2) * into[at]
            })
        }
    }
}

/// The world matrices of all nodes at a moment of a clip.
pub fn played_nodes(facts: &Facts<'_>, clip: ClipId, time: f64) -> Vec<DMat4> {
    at_moment(facts.rig(), &sound_channels(facts.rig(), clip), time)
}

fn sound_channels(rig: &Rig, clip: ClipId) -> Vec<&Channel> {
    rig.clips[clip.index()].channels.iter().filter(|channel| sound(channel)).collect()
}

fn at_moment(rig: &Rig, channels: &[&Channel], time: f64) -> Vec<DMat4> {
    let mut locals: Vec<Local> = rig.nodes.iter().map(|node| node.local).collect();
    for channel in channels {
        let Some(Local::Trs { translation, rotation, scale }) =
            channel.node.and_then(|node| locals.get_mut(node.index()))
        else {
            continue;
        };
        let now = value(channel, time);
        let vector = DVec3::new(now[0], now[1], now[2]);
        match channel.path {
            ChannelPath::Translation => *translation = vector,
            ChannelPath::Scale => *scale = vector,
            _ => *rotation = now,
        }
    }
    placed_nodes(rig, |node: NodeId| matrix(&locals[node.index()]))
}

fn play(
    facts: &Facts<'_>,
    clip: ClipId,
    moments: &[f64],
    blend: Blend,
    parted: &[(u32, u32, u32)],
    observer: &dyn Observer,
) -> Played {
    let channels = sound_channels(facts.rig(), clip);
    let none = Moment::default();
    let mut played =
        Played { clip, moments: moments.len() as u32, stretched: none, inverted: none, gap: none };
    let surface = facts.surface();
    let owners: Vec<u32> = (0..surface.triangles.len() as u32)
        .map(|triangle| facts.skinning().dominant[surface.corner_points(triangle)[0] as usize])
        .collect();
    let areas: Vec<f64> = (0..surface.triangles.len())
        .map(|triangle| {
            let [a, b, c] = surface.triangles[triangle].map(|vertex| surface.positions[vertex as usize]);
            let known = surface.triangles[triangle].iter().all(|v| !facts.skinning().row(*v).is_empty());
            if known { (b - a).cross(c - a).length() / 2.0 } else { 0.0 }
        })
        .collect();
    let body = areas.iter().sum::<f64>().max(f64::MIN_POSITIVE);
    for time in moments {
        if observer.cancelled() {
            break;
        }
        let (posed, turns) = frame(facts, &at_moment(facts.rig(), &channels, *time), blend);
        let (mut long, mut inverted) = ((0.0, 0.0, 0), (0.0, 0.0, 0));
        for (triangle, corners) in surface.triangles.iter().enumerate() {
            let area = areas[triangle];
            let [Some(a), Some(b), Some(c)] = corners.map(|vertex| posed[vertex as usize]) else { continue };
            let rest = corners.map(|vertex| surface.positions[vertex as usize]);
            let now = [a, b, c];
            if area <= 1e-12 * facts.s().powi(2) || !now.iter().all(|place| place.is_finite()) {
                continue;
            }
            let point = surface.point_of[corners[0] as usize];
            let most = super::damage::stretches(rest, now).0;
            if most > LONG {
                long.0 += area;
                if most > long.1 {
                    (long.1, long.2) = (most, point);
                }
            }
            let owner = owners[triangle];
            let Some(Some(turn)) = turns.get(owner as usize).filter(|_| owner != NOWHERE) else { continue };
            let normal = |[a, b, c]: [DVec3; 3]| (b - a).cross(c - a);
            if normal(now).dot(*turn * normal(rest)) < 0.0 {
                inverted.0 += area;
                if area > inverted.1 {
                    (inverted.1, inverted.2) = (area, point);
                }
            }
        }
        let mut gap = (0.0, 0);
        for (point, one, other) in parted {
            let (Some(one), Some(other)) = (posed[*one as usize], posed[*other as usize]) else { continue };
            let apart = one.distance(other);
            if apart > gap.0 {
                gap = (apart, *point);
            }
        }
        let worse = |known: &mut Moment, amount: f64, point: u32| {
            if amount > known.amount {
                *known = Moment { amount, time: *time, point };
            }
        };
        worse(&mut played.stretched, long.0 / body, long.2);
        worse(&mut played.inverted, inverted.0 / body, inverted.2);
        worse(&mut played.gap, gap.0, gap.1);
    }
    played
}

/// Where every skinned vertex is at a moment, and how every joint is turned since bind.
fn frame(facts: &Facts<'_>, worlds: &[DMat4], blend: Blend) -> (Vec<Option<DVec3>>, Vec<Option<DMat3>>) {
    let (rig, surface) = (facts.rig(), facts.surface());
    let mut posed = vec![None; surface.positions.len()];
    let mut turns: Vec<Option<DMat3>> = vec![None; rig.joints.len()];
    for part in &surface.parts {
        let Some(skin_id) = part.skin else { continue };
        let places = skin(rig, blend, part.node, part.primitive as usize, worlds);
        for (slot, place) in posed[part.first_vertex as usize..].iter_mut().zip(places) {
            *slot = place;
        }
        // Mesh space at bind to the world now, against mesh space at bind to the world then.
        let back = DMat3::from_mat4(facts.bind().skins[skin_id.index()].mesh_to_world).inverse();
        let matrices = palette(rig, skin_id, worlds);
        for (joint, matrix) in rig.skins[skin_id.index()].joints.iter().zip(matrices) {
            let joint: JointId = *joint;
            if turns[joint.index()].is_none() && back.is_finite() {
                turns[joint.index()] = matrix.map(|matrix| DMat3::from_mat4(matrix) * back);
            }
        }
    }
    (posed, turns)
}
