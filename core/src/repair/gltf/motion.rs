//! Keys for what moves on a path that no key of the file says: close enough together, with the path's own velocity.

use super::Stop;
use super::keys::Keys;
use crate::model::{ChannelPath, Interpolation};

/// Keys this close keep a spline on its arc, radians: the error of a cubic Hermite arc of angle φ is φ⁴/384 of the
/// radius, here four millionths at most.
const STEP: f64 = 0.2;
/// Keys that one channel may come to have.
const MOST_KEYS: usize = 2_000_000;

/// The times at which a path gets keys, and how it runs between them.
pub(super) struct Knots {
    times: Vec<f32>,
    interpolation: Interpolation,
}

impl Knots {
    /// For a path made by these keys (constant ones may be among them).
    ///
    /// # Errors
    /// Where some of them step and others do not: no one interpolation says both.
    pub(super) fn of(sources: &[&Keys]) -> Result<Self, Stop> {
        let moving: Vec<&Keys> = sources.iter().copied().filter(|keys| !keys.constant()).collect();
        if moving.is_empty() {
            // A pose held all through.
            let first =
                sources.iter().filter_map(|keys| keys.times.first()).copied().fold(f32::MAX, f32::min);
            let times = vec![if first == f32::MAX { 0.0 } else { first }];
            return Ok(Self { times, interpolation: Interpolation::Linear });
        }
        let stepped = moving.iter().filter(|keys| keys.interpolation == Interpolation::Step).count();
        if stepped > 0 && stepped < moving.len() {
            return Err("a clip moves the joint in steps and evenly at once".into());
        }
        let mut times: Vec<f32> = moving.iter().flat_map(|keys| keys.times.iter().copied()).collect();
        times.sort_by(f32::total_cmp);
        times.dedup();
        if stepped > 0 {
            return Ok(Self { times, interpolation: Interpolation::Step });
        }
        Ok(Self { times: closer(&moving, &times)?, interpolation: Interpolation::CubicSpline })
    }

    /// The times.
    pub(super) fn times(&self) -> impl Iterator<Item = f64> {
        self.times.iter().map(|time| f64::from(*time))
    }

    /// The keys of one property of a node on the path: three numbers, or four for a rotation.
    pub(super) fn through<const N: usize>(&self, path: ChannelPath, at: impl Fn(f64) -> [f64; N]) -> Keys {
        let wide: Vec<f64> = self.times.iter().map(|t| f64::from(*t)).collect();
        let mut values: Vec<f32> = Vec::with_capacity(wide.len() * 3 * N);
        let mut put = |value: [f64; N]| values.extend(value.map(|c| c as f32));
        let mut last: Option<[f64; N]> = None;
        for (key, time) in wide.iter().enumerate() {
            // The two quaternions of a rotation are one: each key takes the sign of the one before.
            let near = |value: [f64; N], to: &[f64; N]| {
                let away = N == 4 && value.iter().zip(to).map(|(a, b)| a * b).sum::<f64>() < 0.0;
                if away { value.map(|c| -c) } else { value }
            };
            let here = at(*time);
            let here = last.as_ref().map_or(here, |last| near(here, last));
            last = Some(here);
            if self.interpolation != Interpolation::CubicSpline {
                put(here);
                continue;
            }
            // One-sided, since velocity may jump at a key: (−3f(t) + 4f(t+h) − f(t+2h)) / 2h.
            let slope = |h: f64| {
                let (one, two) = (near(at(time + h), &here), near(at(time + 2.0 * h), &here));
                std::array::from_fn(|c| (-3.0 * here[c] + 4.0 * one[c] - two[c]) / (2.0 * h))
            };
            put(key.checked_sub(1).map_or([0.0; N], |k| slope((wide[k] - time) * 1e-3)));
            put(here);
            put(wide.get(key + 1).map_or([0.0; N], |next| slope((next - time) * 1e-3)));
        }
        Keys {
            path,
            interpolation: self.interpolation,
            times: self.times.clone(),
            values,
            retimed: true,
            new_for: None,
        }
    }
}

/// The keys' own times, and more where the path turns far between two.
fn closer(moving: &[&Keys], own: &[f32]) -> Result<Vec<f32>, Stop> {
    let curved = moving.iter().any(|keys| keys.interpolation == Interpolation::CubicSpline);
    let mut times = Vec::with_capacity(own.len() * 2);
    for pair in own.windows(2) {
        let (from, to) = (f64::from(pair[0]), f64::from(pair[1]));
        let middle = f64::midpoint(from, to);
        let angle: f64 = moving
            .iter()
            .filter(|keys| keys.path == ChannelPath::Rotation)
            .map(|keys| {
                let [a, b, c] = [from, middle, to].map(|t| keys.turn(t));
                a.angle_between(b) + b.angle_between(c)
            })
            .sum();
        let parts = ((angle / STEP).ceil().max(1.0) as usize).max(if curved { 4 } else { 1 });
        times.push(pair[0]);
        for part in 1..parts {
            let time = (from + (to - from) * part as f64 / parts as f64) as f32;
            if times.last().is_some_and(|last| *last < time) && time < pair[1] {
                times.push(time);
            }
        }
        if times.len() > MOST_KEYS {
            return Err("a clip would need too many keys".into());
        }
    }
    times.extend(own.last());
    Ok(times)
}
