//! Repairs of clips' keys and channels.

use glam::DQuat;

use super::arguments::Arguments;
use super::keys::Keys;
use super::{Done, Session, Stop, no};
use crate::model::ChannelPath;

/// Keys this near to unit length are of unit length.
const UNIT: f64 = 1e-6;

/// The channels that a fix names: one, or a list.
fn each(
    session: &mut Session<'_>,
    arguments: &Arguments<'_>,
    act: fn(&mut Session<'_>, usize, usize) -> Done,
) -> Done {
    let clip = arguments.index("clip")?;
    let channels = match arguments.optional_index("channel") {
        Some(channel) => vec![channel],
        None => arguments.indices("channels")?,
    };
    let mut changed = false;
    for channel in channels {
        changed |= act(session, clip, channel)?;
    }
    Ok(changed)
}

fn rotation(session: &Session<'_>, clip: usize, channel: usize) -> Result<Keys, Stop> {
    let it = session.rig.clips.get(clip).ok_or_else(|| no("clip", clip))?;
    let it = it.channels.get(channel).ok_or_else(|| no("channel", channel))?;
    if it.path != ChannelPath::Rotation {
        return Err("the channel drives no rotation".into());
    }
    session.keys(clip, channel)
}

/// Scales the rotations of a channel to unit length; tangents go with their key.
pub(super) fn normalise(session: &mut Session<'_>, arguments: &Arguments<'_>) -> Done {
    each(session, arguments, normalise_one)
}

fn normalise_one(session: &mut Session<'_>, clip: usize, channel: usize) -> Done {
    let before = rotation(session, clip, channel)?;
    let mut keys = before.clone();
    let group = if keys.interpolation == crate::model::Interpolation::CubicSpline { 3 } else { 1 };
    for key in keys.values.chunks_mut(4 * group) {
        let middle = if group == 3 { 4 } else { 0 };
        let Some(value) = key.get(middle..middle + 4) else { continue };
        let length = value.iter().map(|c| f64::from(*c) * f64::from(*c)).sum::<f64>().sqrt();
        if length.is_finite() && length > 1e-6 && (length - 1.0).abs() > UNIT {
            for number in key {
                *number = (f64::from(*number) / length) as f32;
            }
        }
    }
    Ok(kept(session, clip, channel, &before, keys))
}

/// Gives neighbouring rotations of a channel the sign that makes the shorter way.
pub(super) fn flip(session: &mut Session<'_>, arguments: &Arguments<'_>) -> Done {
    each(session, arguments, flip_one)
}

fn flip_one(session: &mut Session<'_>, clip: usize, channel: usize) -> Done {
    let before = rotation(session, clip, channel)?;
    let mut keys = before.clone();
    let group = if keys.interpolation == crate::model::Interpolation::CubicSpline { 3 } else { 1 };
    let middle = if group == 3 { 4 } else { 0 };
    let mut last: Option<DQuat> = None;
    for key in keys.values.chunks_exact_mut(4 * group) {
        let turn = DQuat::from_xyzw(
            f64::from(key[middle]),
            f64::from(key[middle + 1]),
            f64::from(key[middle + 2]),
            f64::from(key[middle + 3]),
        );
        let flipped = last.is_some_and(|last| last.dot(turn) < 0.0);
        if flipped {
            for number in key {
                *number = -*number;
            }
        }
        last = Some(if flipped { -turn } else { turn });
    }
    Ok(kept(session, clip, channel, &before, keys))
}

fn kept(session: &mut Session<'_>, clip: usize, channel: usize, before: &Keys, keys: Keys) -> bool {
    let bits = |keys: &Keys| keys.values.iter().map(|v| v.to_bits()).collect::<Vec<_>>();
    let changed = bits(before) != bits(&keys);
    if changed {
        session.keys.insert((clip, channel), keys);
    }
    changed
}

/// Takes channels out of a clip. A clip without any would be no clip.
pub(super) fn remove(session: &mut Session<'_>, arguments: &Arguments<'_>) -> Done {
    let clip = arguments.index("clip")?;
    let it = session.rig.clips.get(clip).ok_or_else(|| no("clip", clip))?;
    let mut channels = arguments.indices("channels")?;
    if let Some(outside) = channels.iter().find(|channel| **channel >= it.channels.len()) {
        return Err(no("channel", *outside));
    }
    let before = session.gone.get(&clip).cloned().unwrap_or_default();
    channels.extend(&before);
    channels.sort_unstable();
    channels.dedup();
    if channels.len() >= it.channels.len() {
        return Err("the clip would have no channel left".into());
    }
    let changed = channels.len() > before.len();
    session.gone.insert(clip, channels);
    Ok(changed)
}
