//! What the trial bind could reach if it knew the artist: each weight w is replaced by w^p · e^((0.4 − r)·d/R + b·depth), small
//! ones are left out and the four strongest kept, with p, r, b and the smallest weight chosen with the artist's weights in
//! sight. d is the distance to the joint's segments, R its body radius, depth how many joints are above it: a positive b
//! gives skin to children, a negative one to parents.

use std::collections::BTreeMap;

use condyle_core::bind::{MOST_KEPT, TrialBind};
use condyle_core::facts::Facts;
use rayon::prelude::*;

const POWERS: [f64; 8] = [0.5, 0.7, 0.9, 1.0, 1.2, 1.5, 2.0, 3.0];
const RATES: [f64; 5] = [0.0, 0.2, 0.4, 0.7, 1.0];
const TO_CHILDREN: [f64; 7] = [-1.0, -0.5, -0.25, 0.0, 0.25, 0.5, 1.0];
const LEAST: [f64; 3] = [0.0, 0.03, 0.1];
/// Points of a body that are looked at.
const POINTS: usize = 2_000;
const KEPT: usize = 4;
/// The rate that the bind's own weights have faded by.
const FADED: f64 = 0.4;

/// One way to change weights.
#[derive(Debug, Clone, Copy)]
struct Variant {
    power: f64,
    rate: f64,
    to_children: f64,
    least: f64,
}

fn variants() -> Vec<Variant> {
    let mut out = Vec::new();
    for power in POWERS {
        for rate in RATES {
            for to_children in TO_CHILDREN {
                out.extend(LEAST.map(|least| Variant { power, rate, to_children, least }));
            }
        }
    }
    out
}

/// An influence of a point: joint, logarithm of the weight, d/R, depth, the artist's weight.
type Influence = (u32, f64, f64, f64, f64);

/// L1 and the share of dominant joints that agree, by variant.
pub(super) type Scored = Vec<[f64; 2]>;

/// Every variant on one body, bound with as many influences as are kept at the most.
pub(super) fn scored(facts: &Facts<'_>, bind: &TrialBind, artists: &[BTreeMap<u32, f64>]) -> Scored {
    let parents = &facts.tree().parent;
    let depth = |slot: u32| {
        let mut at = parents[bind.joints[slot as usize].index()];
        let mut steps = 0;
        while let Some(p) = at
            && steps < parents.len()
        {
            steps += 1;
            at = parents[p.index()];
        }
        steps as f64
    };
    let depths: Vec<f64> = (0..bind.joints.len() as u32).map(depth).collect();
    let step = artists.len().div_ceil(POINTS).max(1);
    // The strongest joint of the artist, what of his weights lies on joints that the bind has not here, the influences.
    let mut points: Vec<(u32, f64, Vec<Influence>)> = Vec::new();
    for (point, theirs) in artists.iter().enumerate().step_by(step) {
        let Some(first) = theirs.iter().max_by(|a, b| a.1.total_cmp(b.1).then(b.0.cmp(a.0))) else {
            continue;
        };
        let at = bind.graph.points[point];
        let own: Vec<Influence> = bind.rows[point]
            .influences()
            .map(|(slot, weight)| {
                let segments = bind.segments.iter().filter(|one| one.slot == slot);
                let d = segments.map(|one| one.nearest(at).0.distance(at)).fold(f64::INFINITY, f64::min);
                let joint = bind.joints[slot as usize].0;
                let (radius, depth) = (bind.radius[slot as usize], depths[slot as usize]);
                (joint, weight.max(1e-12).ln(), d / radius, depth, theirs.get(&joint).copied().unwrap_or(0.0))
            })
            .collect();
        let told: f64 = own.iter().map(|one| one.4).sum();
        points.push((*first.0, theirs.values().sum::<f64>() - told, own));
    }
    variants().par_iter().map(|variant| judge(&points, *variant)).collect()
}

fn judge(points: &[(u32, f64, Vec<Influence>)], variant: Variant) -> [f64; 2] {
    let (mut l1, mut dominant) = (0.0, 0.0);
    for (first, elsewhere, own) in points {
        let mut list = [(0_u32, 0.0_f64, 0.0_f64); MOST_KEPT];
        let list = &mut list[..own.len()];
        let mut sum = 0.0;
        let value = |one: &Influence| {
            variant.power * one.1 + (FADED - variant.rate) * one.2 + variant.to_children * one.3
        };
        let most = own.iter().map(value).fold(f64::NEG_INFINITY, f64::max);
        for (slot, one) in list.iter_mut().zip(own) {
            *slot = (one.0, (value(one) - most).exp(), one.4);
            sum += slot.1;
        }
        list.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
        let keeps = |place: usize, weight: f64| place < KEPT && (place == 0 || weight >= variant.least * sum);
        let kept: f64 =
            list.iter().enumerate().filter(|(at, one)| keeps(*at, one.1)).map(|(_, one)| one.1).sum();
        l1 += elsewhere;
        for (place, (_, weight, theirs)) in list.iter().enumerate() {
            let weight = if keeps(place, *weight) { weight / kept } else { 0.0 };
            l1 += (weight - theirs).abs();
        }
        dominant += f64::from(u8::from(list.first().is_some_and(|one| one.0 == *first)));
    }
    let count = points.len().max(1) as f64;
    [l1 / count, dominant / count]
}

/// One line for each freedom: as it is, one variant for all bodies, one for each maker, one for each body.
pub(super) fn lines(bodies: &[(String, Scored)]) -> Vec<String> {
    let all = variants();
    let own = all
        .iter()
        .position(|one| (one.power, one.rate, one.to_children, one.least) == (1.0, FADED, 0.0, 0.0));
    let mut out = Vec::new();
    let mean = |list: &[&Scored], at: usize, what: usize| {
        list.iter().map(|scored| scored[at][what]).sum::<f64>() / list.len().max(1) as f64
    };
    // The sum over a group's bodies of what the group's best variant has.
    let best = |list: &[&Scored], what: usize| {
        let values = (0..all.len()).map(|at| mean(list, at, what));
        let sign = if what == 0 { 1.0 } else { -1.0 };
        list.len() as f64 * values.min_by(|a, b| (sign * a).total_cmp(&(sign * b))).unwrap_or(0.0)
    };
    let everyone: Vec<&Scored> = bodies.iter().map(|one| &one.1).collect();
    if let Some(own) = own {
        out.push(format!(
            "as it is: L1 {:.3} dominant {:.3}",
            mean(&everyone, own, 0),
            mean(&everyone, own, 1)
        ));
    }
    let mut makers: BTreeMap<&str, Vec<&Scored>> = BTreeMap::new();
    for (maker, scored) in bodies {
        makers.entry(maker).or_default().push(scored);
    }
    let each: Vec<Vec<&Scored>> = everyone.iter().map(|one| vec![*one]).collect();
    for (name, groups) in [
        ("one variant for all".to_owned(), vec![everyone.clone()]),
        (format!("one for each of {} makers", makers.len()), makers.into_values().collect()),
        ("one for each body".to_owned(), each),
    ] {
        let sum = |what: usize| {
            groups.iter().map(|group| best(group, what)).sum::<f64>() / bodies.len().max(1) as f64
        };
        out.push(format!(
            "{name}, of {}, chosen with the weights in sight: L1 {:.3}; another: dominant {:.3}",
            all.len(),
            sum(0),
            sum(1)
        ));
    }
    out
}
