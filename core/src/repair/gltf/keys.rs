//! The keys of a channel: reading them at any time, changing them, and writing them back.

use std::collections::BTreeMap;

use glam::{DQuat, DVec3};
use serde_json::json;

use super::store::{Payload, whole};
use super::{Session, Stop};
use crate::model::{Channel, ChannelPath, Interpolation, NodeId};

/// A channel's keys, under change.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Keys {
    pub(super) path: ChannelPath,
    pub(super) interpolation: Interpolation,
    pub(super) times: Vec<f32>,
    /// Flat; cubic splines with their tangents.
    pub(super) values: Vec<f32>,
    /// Times or interpolation are new.
    pub(super) retimed: bool,
    /// The node, for a channel that the file does not have.
    pub(super) new_for: Option<usize>,
}

impl Keys {
    pub(super) fn of(channel: &Channel) -> Result<Self, Stop> {
        if !channel.readable {
            return Err("a clip's keys could not be read".into());
        }
        Ok(Self {
            path: channel.path,
            interpolation: channel.interpolation,
            times: channel.times.to_vec(),
            values: channel.values.to_vec(),
            retimed: false,
            new_for: None,
        })
    }

    pub(super) fn width(&self) -> usize {
        if self.path == ChannelPath::Rotation { 4 } else { 3 }
    }

    /// Values a key: one, or with its two tangents.
    fn group(&self) -> usize {
        if self.interpolation == Interpolation::CubicSpline { 3 } else { 1 }
    }

    /// Whether times and values fit each other.
    pub(super) fn sound(&self) -> bool {
        !self.times.is_empty()
            && self.values.len() == self.times.len() * self.width() * self.group()
            && self.times.windows(2).all(|w| w[0] < w[1])
            && self.times.iter().chain(&self.values).all(|v| v.is_finite())
    }

    /// Whether no key differs from the first.
    pub(super) fn constant(&self) -> bool {
        let width = self.width();
        match self.interpolation {
            Interpolation::CubicSpline => self.times.len() < 2,
            _ => self.values.chunks_exact(width).all(|value| value == &self.values[..width]),
        }
    }

    /// Changes every element: values (`true`) and tangents (`false`).
    pub(super) fn change(&mut self, change: impl Fn(&mut [f64; 4], bool)) {
        let (width, group) = (self.width(), self.group());
        for (at, element) in self.values.chunks_exact_mut(width).enumerate() {
            let mut wide = [0.0; 4];
            for (wide, number) in wide.iter_mut().zip(element.iter()) {
                *wide = f64::from(*number);
            }
            change(&mut wide, group == 1 || at % 3 == 1);
            for (number, wide) in element.iter_mut().zip(wide) {
                *number = wide as f32;
            }
        }
    }

    fn element(&self, key: usize, part: usize) -> [f64; 4] {
        let width = self.width();
        let start = (key * self.group() + part) * width;
        let mut out = [0.0; 4];
        for (out, number) in out.iter_mut().zip(self.values.get(start..start + width).unwrap_or_default()) {
            *out = f64::from(*number);
        }
        out
    }

    /// The value at a time (glTF 2.0 appendix C); keys must be sound.
    pub(super) fn at(&self, time: f64) -> [f64; 4] {
        let middle = usize::from(self.group() == 3);
        let after = self.times.partition_point(|t| f64::from(*t) <= time);
        let Some(before) = after.checked_sub(1) else { return self.element(0, middle) };
        if after == self.times.len() {
            return self.element(before, middle);
        }
        let (from, to) = (f64::from(self.times[before]), f64::from(self.times[after]));
        let span = to - from;
        let t = (time - from) / span;
        let (a, b) = (self.element(before, middle), self.element(after, middle));
        match self.interpolation {
            Interpolation::Step => a,
            Interpolation::Linear if self.path == ChannelPath::Rotation => {
                let [a, b] = [a, b].map(|q| DQuat::from_array(q).normalize());
                a.slerp(b, t).to_array()
            }
            Interpolation::Linear => std::array::from_fn(|at| a[at] + (b[at] - a[at]) * t),
            Interpolation::CubicSpline => {
                let (out, into) = (self.element(before, 2), self.element(after, 0));
                let (t2, t3) = (t * t, t * t * t);
                let mut value: [f64; 4] = std::array::from_fn(|at| {
                    (2.0 * t3 - 3.0 * t2 + 1.0) * a[at]
                        + span * (t3 - 2.0 * t2 + t) * out[at]
                        + (3.0 * t2 - 2.0 * t3) * b[at]
                        + span * (t3 - t2) * into[at]
                });
                if self.path == ChannelPath::Rotation {
                    value = DQuat::from_array(value).normalize().to_array();
                }
                value
            }
        }
    }

    /// The rotation at a time.
    pub(super) fn turn(&self, time: f64) -> DQuat {
        DQuat::from_array(self.at(time)).normalize()
    }

    /// The translation or scale at a time.
    pub(super) fn vector(&self, time: f64) -> DVec3 {
        let [x, y, z, _] = self.at(time);
        DVec3::new(x, y, z)
    }
}

/// What moves a node in a clip: by order (0 translation, 1 rotation, 2 scale) the number of the channel and its keys.
pub(super) type Tracks = BTreeMap<u8, (usize, Keys)>;

impl Session<'_> {
    /// The channels of a clip that move each node; those that this pass has made come with [`Session::tracks`].
    pub(super) fn movers(&self, clip: usize) -> BTreeMap<usize, Vec<usize>> {
        let it = &self.rig.clips[clip];
        let mut by_node: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
        for (channel, it) in it.channels.iter().enumerate() {
            let moves =
                matches!(it.path, ChannelPath::Translation | ChannelPath::Rotation | ChannelPath::Scale);
            if let Some(node) = it.node.map(NodeId::index).filter(|_| moves) {
                by_node.entry(node).or_default().push(channel);
            }
        }
        by_node
    }

    /// What moves a node, of the channels that the file has for it and those that this pass has made.
    pub(super) fn tracks(&self, clip: usize, node: usize, channels: &[usize]) -> Result<Tracks, Stop> {
        let mut tracks = Tracks::new();
        let made = self
            .keys
            .range((clip, self.rig.clips[clip].channels.len())..=(clip, usize::MAX))
            .filter(|(_, keys)| keys.new_for == Some(node))
            .map(|((_, channel), _)| *channel);
        for channel in channels.iter().copied().chain(made) {
            let keys = self.keys(clip, channel)?;
            if !keys.sound() {
                return Err("a clip's keys are not in order, or not finite".into());
            }
            let order = match keys.path {
                ChannelPath::Translation => 0,
                ChannelPath::Rotation => 1,
                _ => 2,
            };
            if tracks.insert(order, (channel, keys)).is_some() {
                return Err("a clip drives one property of a joint twice".into());
            }
        }
        Ok(tracks)
    }

    /// The number of the next channel that a repair makes.
    pub(super) fn next_channel(&self, clip: usize) -> usize {
        let made = self.keys.range((clip, 0)..=(clip, usize::MAX)).filter(|(_, keys)| keys.new_for.is_some());
        self.rig.clips[clip].channels.len() + made.count()
    }

    /// A channel's keys as they are by now.
    pub(super) fn keys(&self, clip: usize, channel: usize) -> Result<Keys, Stop> {
        match self.keys.get(&(clip, channel)) {
            Some(keys) => Ok(keys.clone()),
            None => Keys::of(&self.rig.clips[clip].channels[channel]),
        }
    }

    /// Changed keys into payloads; channels that part from others get a sampler of their own.
    pub(super) fn settle_keys(&mut self) {
        let changed = std::mem::take(&mut self.keys);
        let mut clips: Vec<usize> = changed.keys().map(|(clip, _)| *clip).collect();
        clips.dedup();
        for clip in clips {
            let channels = self.rig.clips[clip].channels.len();
            let samplers: Vec<Option<usize>> = (0..channels)
                .map(|channel| {
                    let pointer = format!("/animations/{clip}/channels/{channel}/sampler");
                    self.document.value(&pointer).as_ref().and_then(whole).map(|n| n as usize)
                })
                .collect();
            let mut members: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
            for (channel, sampler) in samplers.iter().enumerate() {
                if let Some(sampler) = sampler {
                    members.entry(*sampler).or_default().push(channel);
                }
            }
            for ((_, channel), keys) in changed.range((clip, 0)..=(clip, usize::MAX)) {
                let own = samplers.get(*channel).copied().flatten();
                let first = own.and_then(|sampler| members.get(&sampler)).and_then(|list| list.first());
                let together = own.is_some_and(|sampler| {
                    members[&sampler].iter().all(|other| changed.get(&(clip, *other)) == Some(keys))
                });
                let sampler = match (own, together) {
                    (Some(sampler), true) if first == Some(channel) => Some(sampler),
                    // The first of them writes for all.
                    (Some(_), true) => continue,
                    (Some(sampler), false) => self.part(clip, *channel, sampler),
                    (None, _) => self.fresh(clip, keys),
                };
                if let Some(sampler) = sampler {
                    self.write_keys(clip, sampler, keys);
                }
            }
        }
        for (clip, mut channels) in std::mem::take(&mut self.gone) {
            channels.sort_unstable();
            channels.dedup();
            for channel in channels.into_iter().rev() {
                // The channel is there: its number was read from this document.
                let _ = self.document.remove(&format!("/animations/{clip}/channels/{channel}"));
            }
        }
    }

    /// A copy of a sampler for one channel.
    fn part(&mut self, clip: usize, channel: usize, sampler: usize) -> Option<usize> {
        let copy = self.document.value(&format!("/animations/{clip}/samplers/{sampler}"))?;
        let index = self.document.push(&format!("/animations/{clip}/samplers"), &copy).ok()?;
        self.document.set(&format!("/animations/{clip}/channels/{channel}/sampler"), &json!(index)).ok()?;
        Some(index)
    }

    /// A sampler and a channel that were not there.
    fn fresh(&mut self, clip: usize, keys: &Keys) -> Option<usize> {
        let node = keys.new_for?;
        let path = match keys.path {
            ChannelPath::Rotation => "rotation",
            ChannelPath::Scale => "scale",
            _ => "translation",
        };
        let index = self.document.push(&format!("/animations/{clip}/samplers"), &json!({})).ok()?;
        let channel = json!({"sampler": index, "target": {"node": node, "path": path}});
        self.document.push(&format!("/animations/{clip}/channels"), &channel).ok()?;
        Some(index)
    }

    fn write_keys(&mut self, clip: usize, sampler: usize, keys: &Keys) {
        let here = format!("/animations/{clip}/samplers/{sampler}");
        let kind = if keys.width() == 4 { "VEC4" } else { "VEC3" };
        let output = format!("{here}/output");
        let component = self
            .document
            .value(&output)
            .as_ref()
            .and_then(whole)
            .and_then(|accessor| self.document.value(&format!("/accessors/{accessor}/componentType")))
            .as_ref()
            .and_then(whole)
            .filter(|_| !keys.retimed)
            .unwrap_or(5126);
        let payload = match component {
            5126 => Payload::floats(&keys.values, kind, false),
            component => integers(&keys.values, kind, component),
        };
        self.payloads.insert(output, payload);
        if keys.retimed {
            self.payloads.insert(format!("{here}/input"), Payload::floats(&keys.times, "SCALAR", true));
            let word = match keys.interpolation {
                Interpolation::Linear => "LINEAR",
                Interpolation::Step => "STEP",
                Interpolation::CubicSpline => "CUBICSPLINE",
            };
            // The sampler is there: it was pushed or read above.
            let _ = self.document.set(&format!("{here}/interpolation"), &json!(word));
        }
    }
}

/// Normalised integers (glTF 2.0 §3.11), which rotations may be stored as.
fn integers(values: &[f32], kind: &'static str, component: u64) -> Payload {
    let most = match component {
        5120 => 127.0,
        5121 => 255.0,
        5122 => 32_767.0,
        _ => 65_535.0,
    };
    let stored = |value: &f32| (f64::from(*value) * most).round();
    let bytes = match component {
        5120 => values.iter().map(|v| stored(v) as i8 as u8).collect(),
        5121 => values.iter().map(|v| stored(v) as u8).collect(),
        5122 => values.iter().flat_map(|v| (stored(v) as i16).to_le_bytes()).collect(),
        _ => values.iter().flat_map(|v| (stored(v) as u16).to_le_bytes()).collect(),
    };
    let width = if kind == "VEC4" { 4 } else { 3 };
    let mut payload = Payload::floats(&[], kind, false);
    (payload.bytes, payload.component, payload.normalized) = (bytes, component, true);
    payload.count = values.len() / width;
    payload
}
