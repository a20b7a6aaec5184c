//! One pass over all keys of all clips. What a file shares between channels is looked at once: the work is bounded
//! by what was decoded, not by the number of channels that point at it.

use std::collections::BTreeMap;

use crate::model::{Channel, ChannelPath, Interpolation, Rig};

/// What the times of a sampler look like.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct TimeScan {
    /// Keys.
    pub count: usize,
    /// Times that are not finite.
    pub not_finite: usize,
    /// Times below zero.
    pub negative: usize,
    /// Keys that are not later than the key before.
    pub unordered: usize,
    /// The first key with any of these faults.
    pub first_bad: Option<usize>,
}

/// What the values of a sampler look like, by what they drive and how they are joined.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct ValueScan {
    /// Whole values (of a cubic spline: triples of them).
    pub count: usize,
    /// Numbers beyond the last whole value.
    pub rest: usize,
    /// Values (tangents included) with a component that is not finite.
    pub not_finite: usize,
    /// The first of them.
    pub first_bad: Option<usize>,
    /// Rotations: keys off unit length by more than their storage rounds, the worst deviation and its key.
    pub off_unit: (usize, f64, usize),
    /// Rotations: neighbours with opposite signs, and the first such key.
    pub flips: (usize, usize),
    /// Rotations: the largest turn between neighbours, degrees, and the later key.
    pub largest_step: (f64, usize),
    /// Rotations: the turn from the first to the last key, degrees.
    pub around: f64,
    /// Vectors: least and most of each component.
    pub low: [f64; 3],
    /// See `low`.
    pub high: [f64; 3],
    /// Vectors: the shortest and the longest.
    pub shortest: f64,
    /// See `shortest`.
    pub longest: f64,
}

/// All channels' keys.
#[derive(Debug)]
pub struct Keys {
    times: Vec<TimeScan>,
    values: Vec<ValueScan>,
    at: Vec<Vec<(usize, usize)>>,
}

impl Keys {
    pub(super) fn new(rig: &Rig) -> Self {
        let mut out = Self { times: Vec::new(), values: Vec::new(), at: Vec::new() };
        let mut seen_times = BTreeMap::new();
        let mut seen_values = BTreeMap::new();
        for clip in &rig.clips {
            let row = clip.channels.iter().map(|channel| {
                let place = (channel.times.as_ptr() as usize, channel.times.len());
                let time = *seen_times.entry(place).or_insert_with(|| {
                    out.times.push(times(&channel.times));
                    out.times.len() - 1
                });
                let (path, joined) = (channel.path as u8, channel.interpolation as u8);
                let place = (channel.values.as_ptr() as usize, channel.values.len(), path, joined);
                let value = *seen_values.entry(place).or_insert_with(|| {
                    out.values.push(values(channel));
                    out.values.len() - 1
                });
                (time, value)
            });
            let row = row.collect();
            out.at.push(row);
        }
        out
    }

    /// The times of a clip's channel.
    pub fn times(&self, clip: usize, channel: usize) -> &TimeScan {
        &self.times[self.at[clip][channel].0]
    }

    /// The values of a clip's channel.
    pub fn values(&self, clip: usize, channel: usize) -> &ValueScan {
        &self.values[self.at[clip][channel].1]
    }
}

fn times(times: &[f32]) -> TimeScan {
    let mut scan = TimeScan { count: times.len(), ..TimeScan::default() };
    let mut before: Option<f32> = None;
    for (key, time) in times.iter().copied().enumerate() {
        let (wild, low) = (!time.is_finite(), time < 0.0);
        let late = before.is_some_and(|before| before >= time);
        scan.not_finite += usize::from(wild);
        scan.negative += usize::from(low);
        scan.unordered += usize::from(late);
        if (wild || low || late) && scan.first_bad.is_none() {
            scan.first_bad = Some(key);
        }
        if !wild {
            before = Some(time);
        }
    }
    scan
}

fn values(channel: &Channel) -> ValueScan {
    let width = channel.width();
    let cubic = channel.interpolation == Interpolation::CubicSpline;
    let stride = if cubic { 3 * width } else { width };
    let mut scan = ValueScan {
        count: channel.values.len() / stride,
        rest: channel.values.len() % stride,
        low: [f64::INFINITY; 3],
        high: [f64::NEG_INFINITY; 3],
        shortest: f64::INFINITY,
        longest: f64::NEG_INFINITY,
        ..ValueScan::default()
    };
    let slack = if channel.path == ChannelPath::Rotation { slack(&channel.values) } else { 0.0 };
    let mut first: Option<[f64; 4]> = None;
    let mut before: Option<[f64; 4]> = None;
    for (key, group) in channel.values.chunks_exact(stride).enumerate() {
        if !group.iter().all(|number| number.is_finite()) {
            scan.not_finite += 1;
            scan.first_bad.get_or_insert(key);
            continue;
        }
        let value = if cubic { &group[width..2 * width] } else { group };
        match (channel.path, value) {
            (ChannelPath::Rotation, [x, y, z, w]) => {
                let q = [*x, *y, *z, *w].map(f64::from);
                let length = dot(&q, &q).sqrt();
                let off = (length - 1.0).abs();
                if off > slack {
                    scan.off_unit.0 += 1;
                    if off > scan.off_unit.1 {
                        (scan.off_unit.1, scan.off_unit.2) = (off, key);
                    }
                }
                if length > 0.0 {
                    let unit = q.map(|c| c / length);
                    if let Some(before) = before {
                        let along = dot(&before, &unit);
                        if along < 0.0 {
                            scan.flips.0 += 1;
                            if scan.flips.0 == 1 {
                                scan.flips.1 = key;
                            }
                        }
                        let step = turn(along);
                        if step > scan.largest_step.0 {
                            scan.largest_step = (step, key);
                        }
                    }
                    let start = *first.get_or_insert(unit);
                    scan.around = turn(dot(&start, &unit));
                    before = Some(unit);
                }
            }
            (ChannelPath::Translation | ChannelPath::Scale, [x, y, z]) => {
                let v = [*x, *y, *z].map(f64::from);
                for ((low, high), c) in scan.low.iter_mut().zip(&mut scan.high).zip(v) {
                    *low = low.min(c);
                    *high = high.max(c);
                }
                let length = v.iter().map(|c| c * c).sum::<f64>().sqrt();
                scan.shortest = scan.shortest.min(length);
                scan.longest = scan.longest.max(length);
            }
            _ => {}
        }
    }
    scan
}

/// How far from unit length a rotation may be stored. Four normalised bytes round each component by up to 1/254, so
/// the length by up to twice that (triangle inequality in four dimensions: √4 · 1/254); floats and shorts are judged
/// at the catalogue's own limit by the check.
fn slack(values: &[f32]) -> f64 {
    let bytes = values.iter().all(|v| {
        let steps = v * 127.0;
        (steps - steps.round()).abs() < 1e-3 && steps.abs() <= 127.001
    });
    if bytes { 2.0 / 254.0 } else { 0.0 }
}

fn dot(a: &[f64; 4], b: &[f64; 4]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

/// The turn between two unit quaternions, degrees, the short way.
fn turn(along: f64) -> f64 {
    2.0 * along.abs().min(1.0).acos().to_degrees()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn channel(path: ChannelPath, interpolation: Interpolation, values: &[f32]) -> Channel {
        Channel { node: None, path, interpolation, times: [].into(), values: values.into(), readable: true }
    }

    #[test]
    fn times_are_judged_key_by_key() {
        let scan = times(&[-0.5, 0.0, 0.0, f32::NAN, 1.0]);
        assert_eq!((scan.negative, scan.unordered, scan.not_finite, scan.first_bad), (1, 1, 1, Some(0)));
    }

    #[test]
    fn a_quarter_turn_and_its_negative_are_a_step_of_90_and_a_flip() {
        // A quarter turn about X is (sin 45°, 0, 0, cos 45°); its negative is the same rotation.
        let h = std::f32::consts::FRAC_1_SQRT_2;
        let scan = values(&channel(
            ChannelPath::Rotation,
            Interpolation::Linear,
            &[0.0, 0.0, 0.0, 1.0, -h, 0.0, 0.0, -h],
        ));
        assert_eq!(scan.flips, (1, 1));
        assert!((scan.largest_step.0 - 90.0).abs() < 1e-4 && (scan.around - 90.0).abs() < 1e-4);
    }

    #[test]
    fn bytes_may_round_and_floats_may_not() {
        // 90/127 twice is a unit rotation rounded to bytes: its length is 1.0022.
        let b = 90.0 / 127.0;
        let bytes = values(&channel(ChannelPath::Rotation, Interpolation::Linear, &[b, 0.0, 0.0, b]));
        assert_eq!(bytes.off_unit.0, 0);
        let floats =
            values(&channel(ChannelPath::Rotation, Interpolation::Linear, &[0.7087, 0.0, 0.0, 0.7087]));
        assert_eq!(floats.off_unit.0, 1);
    }

    #[test]
    fn a_cubic_spline_is_judged_by_its_values_and_not_its_tangents() {
        let numbers = [9.0, 9.0, 9.0, 1.0, 2.0, 2.0, 9.0, 9.0, 9.0];
        let scan = values(&channel(ChannelPath::Translation, Interpolation::CubicSpline, &numbers));
        assert_eq!((scan.count, scan.rest), (1, 0));
        assert!((scan.longest - 3.0).abs() < 1e-9, "1, 2, 2 has length 3");
    }
}
