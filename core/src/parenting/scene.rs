//! One skeleton with everything that is looked up while pairs of its joints are judged: names, layout, runs, parts.

use std::collections::BTreeMap;

use glam::DVec3;

use super::features::Around;
use super::geometry::{Layout, to_segment};
use super::lexicon::{Category, expected};
use super::names::{Names, read};
use super::skeleton::Item;
use crate::model::{PartKind, Side};

/// Joints whose names differ in one number only.
#[derive(Debug, Clone, Default)]
pub(super) struct Run {
    /// Number and joint, by number. Limbs whose names differ in nothing share their numbers.
    pub(super) members: Vec<(u32, usize)>,
    /// Per member: how many smaller numbers there are.
    pub(super) order: Vec<usize>,
    /// Whether the number is the last one of the name.
    pub(super) last: bool,
    /// Median rank of neighbours in the run as neighbours in space.
    pub(super) near: f32,
    /// Mean cosine between steps.
    pub(super) straight: f32,
    /// Mean sign of growing away from the middle of the skeleton.
    pub(super) outward: f32,
    /// Share of its steps that the spanning tree holds.
    pub(super) linked: f32,
    /// Mean step over the mean distance to the joint nearest to all of them: high where they hang side by side.
    pub(super) fan: f32,
}

impl Run {
    /// The joints at a place of the order.
    pub(super) fn of_order(&self, place: usize) -> Vec<usize> {
        let from = self.order.partition_point(|other| *other < place);
        let to = self.order.partition_point(|other| *other <= place);
        self.members[from..to].iter().map(|(_, joint)| *joint).collect()
    }
}

/// A part as a whole.
#[derive(Debug, Clone, Default)]
pub(super) struct Extent {
    /// Along its joints.
    pub(super) length: f64,
    /// The rank of its most central joint over the number of joints: 0 in the middle of the skeleton.
    pub(super) central: f64,
    /// How many heads of other parts have it as the nearest part.
    pub(super) heads: f64,
}

/// How two joints stand in a run.
#[derive(Debug, Clone, Copy)]
pub(super) struct Step {
    /// The run.
    pub(super) run: usize,
    /// Places from parent to child in the run's order.
    pub(super) places: i64,
    /// Numbers from parent to child.
    pub(super) numbers: i64,
}

/// A skeleton, looked at.
#[derive(Debug)]
pub(super) struct Scene {
    pub(super) items: Vec<Item>,
    pub(super) layout: Layout,
    pub(super) names: Names,
    pub(super) runs: Vec<Run>,
    /// Per joint: the runs it is in and its place there.
    pub(super) in_runs: Vec<Vec<(usize, usize)>>,
    /// Per joint: category, declared before guessed.
    pub(super) category: Vec<Category>,
    /// Per joint: 1 left, -1 right, 0 middle, where said.
    pub(super) side: Vec<Option<i8>>,
    /// Per joint: the levels of what it expects that are present with a fitting side: level and how many joints.
    pub(super) levels: Vec<Vec<(usize, u32)>>,
    /// Per joint: what it expects and is there, as level, distance and joint, sorted.
    pub(super) fitting: Vec<Vec<(usize, f64, usize)>>,
    /// Per joint: has one before it in some run that looks like a chain.
    pub(super) follows: Vec<bool>,
    /// Joints by stem.
    pub(super) stem_size: Vec<u32>,
    /// The joints of each part, in order.
    pub(super) parts: Vec<Vec<usize>>,
    /// Joints that anything may hang from: rootlike ones and the most central.
    hubs: Vec<usize>,
    /// What each part is like.
    pub(super) extent: Vec<Extent>,
    /// Whether any joint has a tip.
    pub(super) tips: bool,
    /// Share of joints with a word of their own.
    pub(super) spoken: f32,
    /// An exporter's own root joint is there.
    pub(super) inserted: bool,
}

impl Scene {
    pub(super) fn new(items: Vec<Item>) -> Self {
        let points: Vec<DVec3> = items.iter().map(|item| item.at).collect();
        let layout = Layout::new(&points);
        let names = read(&items.iter().map(|item| item.name.as_deref()).collect::<Vec<_>>());
        let count = items.len();
        let side: Vec<Option<i8>> = items
            .iter()
            .zip(&names.readings)
            .map(|(item, reading)| match item.side {
                Some(Side::Left) => Some(1),
                Some(Side::Right) => Some(-1),
                Some(Side::Centre) => Some(0),
                None => reading.side,
            })
            .collect();
        let category: Vec<Category> = items
            .iter()
            .zip(&names.readings)
            .map(|(item, reading)| declared(item.kind, reading.category).unwrap_or(Category::Unknown))
            .collect();
        let mut most_part = 0;
        for item in &items {
            if let Some((part, _)) = item.part {
                most_part = most_part.max(part + 1);
            }
        }
        let mut parts: Vec<Vec<(usize, usize)>> = vec![Vec::new(); most_part.min(count + 1)];
        for (j, item) in items.iter().enumerate() {
            if let Some((part, place)) = item.part
                && let Some(list) = parts.get_mut(part)
            {
                list.push((place, j));
            }
        }
        let parts: Vec<Vec<usize>> = parts
            .into_iter()
            .map(|mut list| {
                list.sort_unstable();
                list.into_iter().map(|(_, j)| j).collect()
            })
            .collect();
        let stems = names.readings.iter().map(|r| r.stem as usize + 1).max().unwrap_or(0);
        let mut stem_size = vec![0; stems];
        for reading in &names.readings {
            stem_size[reading.stem as usize] += 1;
        }
        let spoken = names.readings.iter().filter(|r| r.spoken).count() as f32 / count.max(1) as f32;
        let inserted = names.readings.iter().any(|r| r.inserted);
        let tips = items.iter().any(|item| item.tip.is_some());
        let (runs, in_runs) = runs(&names, &layout);
        let mut scene = Self {
            items,
            layout,
            names,
            runs,
            in_runs,
            category,
            side,
            levels: Vec::new(),
            fitting: Vec::new(),
            follows: Vec::new(),
            stem_size,
            parts,
            hubs: Vec::new(),
            extent: Vec::new(),
            tips,
            spoken,
            inserted,
        };
        let mut roots = 0;
        for p in 0..count {
            let rootlike = scene.names.readings[p].inserted
                || matches!(scene.category[p], Category::Root | Category::Body | Category::Pelvis);
            roots += u32::from(rootlike);
            if (rootlike && roots <= 6) || scene.layout.rank[p] < 4 {
                scene.hubs.push(p);
            }
        }
        if tips {
            scene.extent = scene.extents();
        }
        scene.fitting = (0..count).map(|j| scene.fits(j)).collect();
        let levels = scene.fitting.iter().map(|list| {
            let counted = list.chunk_by(|a, b| a.0 == b.0).map(|same| (same[0].0, same.len() as u32));
            counted.collect()
        });
        scene.levels = levels.collect();
        scene.follows = (0..count)
            .map(|j| {
                scene.in_runs[j].iter().any(|(run, place)| {
                    let run = &scene.runs[*run];
                    run.order[*place] > 0 && run.last
                })
            })
            .collect();
        scene
    }

    /// What each part is like.
    fn extents(&self) -> Vec<Extent> {
        let count = self.count().max(1) as f64;
        let mut out: Vec<Extent> = self
            .parts
            .iter()
            .map(|list| Extent {
                length: list.windows(2).map(|pair| self.layout.apart(pair[0], pair[1])).sum(),
                central: list.iter().map(|j| self.layout.rank[*j]).min().map_or(1.0, f64::from) / count,
                heads: 0.0,
            })
            .collect();
        let nearest = |head: usize, part: &[usize]| {
            part.iter().map(|k| self.to_segment(*k, head).0).fold(f64::INFINITY, f64::min)
        };
        for (number, list) in self.parts.iter().enumerate() {
            let Some(head) = list.first() else { continue };
            let others = self.parts.iter().enumerate().filter(|(other, _)| *other != number);
            let best = others
                .map(|(other, part)| (nearest(*head, part), other))
                .min_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
            if let Some((_, other)) = best {
                out[other].heads += 1.0;
            }
        }
        out
    }

    /// Joints.
    pub(super) fn count(&self) -> usize {
        self.items.len()
    }

    /// The place of p's category in what j expects, if sides and rows allow it.
    pub(super) fn level(&self, p: usize, j: usize) -> Option<usize> {
        if p == j || !self.sides_fit(p, j) {
            return None;
        }
        let list = expected(self.category[j]);
        let reading = &self.names.readings[p];
        if reading.control && !self.names.readings[j].control {
            return None;
        }
        list.iter().position(|category| *category == self.category[p])
    }

    /// Whether said sides and rows do not speak against each other.
    pub(super) fn sides_fit(&self, p: usize, j: usize) -> bool {
        let sides = match (self.side[p], self.side[j]) {
            (Some(a), Some(b)) => a == b || a == 0,
            (Some(a), None) => a == 0,
            _ => true,
        };
        let (a, b) = (self.names.readings[p].row, self.names.readings[j].row);
        sides && (a == b || a == 0 || b == 0)
    }

    /// What j expects and is there: level, distance, joint; in that order.
    fn fits(&self, j: usize) -> Vec<(usize, f64, usize)> {
        if expected(self.category[j]).is_empty() {
            return Vec::new();
        }
        let mut found: Vec<(usize, f64, usize)> = (0..self.count())
            .filter_map(|p| self.level(p, j).map(|level| (level, self.layout.apart(p, j), p)))
            .collect();
        found.sort_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)).then(a.2.cmp(&b.2)));
        found
    }

    /// How many of a level lie nearer to j than `d`.
    pub(super) fn nearer_of_level(&self, j: usize, level: usize, d: f64) -> usize {
        let list = &self.fitting[j];
        let least = d - self.layout.size * 1e-6;
        let from = list.partition_point(|(other, ..)| *other < level);
        list.partition_point(|(other, apart, _)| *other < level || (*other == level && *apart < least)) - from
    }

    /// How p and j stand in a run, the last number first.
    pub(super) fn step(&self, p: usize, j: usize) -> Option<Step> {
        for (run, place) in &self.in_runs[j] {
            if let Some((_, other)) = self.in_runs[p].iter().find(|(other, _)| other == run) {
                let (members, order) = (&self.runs[*run].members, &self.runs[*run].order);
                let numbers = i64::from(members[*place].0) - i64::from(members[*other].0);
                return Some(Step {
                    run: *run,
                    places: order[*place] as i64 - order[*other] as i64,
                    numbers,
                });
            }
        }
        None
    }

    /// Shared words, weighed by rarity, over all words of both.
    pub(super) fn shared(&self, p: usize, j: usize) -> f64 {
        let (a, b) = (&self.names.readings[p].words, &self.names.readings[j].words);
        let weight = |word: &u32| self.names.rarity[*word as usize].max(0.05);
        let both: f64 = b.iter().filter(|word| a.contains(word)).map(weight).sum();
        let all: f64 = a.iter().map(weight).sum::<f64>() + b.iter().map(weight).sum::<f64>() - both;
        if all > 0.0 { both / all } else { 0.0 }
    }

    /// Distance from j's origin to p's segment and where on it; to p's origin where it has no tip.
    pub(super) fn to_segment(&self, p: usize, j: usize) -> (f64, f64) {
        let item = &self.items[p];
        match item.tip {
            Some(tip) if tip.is_finite() => to_segment(self.layout.at[j], self.layout.at[p], tip),
            _ => (self.layout.apart(p, j), 0.0),
        }
    }

    /// Joints that p might be the parent of: those that the rules below name, at most `MOST`.
    pub(super) fn candidates(&self, j: usize, around: &Around) -> Vec<usize> {
        const MOST: usize = 40;
        let layout = &self.layout;
        let mut chosen: Vec<usize> = Vec::with_capacity(MOST);
        let add = |p: usize, chosen: &mut Vec<usize>| {
            if p != j && chosen.len() < MOST && !chosen.contains(&p) {
                chosen.push(p);
            }
        };
        // Runs and words first: they are few and strong.
        for (run, place) in &self.in_runs[j] {
            let run = &self.runs[*run];
            for other in [run.order[*place].checked_sub(1), Some(run.order[*place] + 1)].into_iter().flatten()
            {
                let mut list = run.of_order(other);
                if list.len() > 3 {
                    list.sort_by(|a, b| layout.apart(*a, j).total_cmp(&layout.apart(*b, j)).then(a.cmp(b)));
                }
                for p in list.into_iter().take(3) {
                    add(p, &mut chosen);
                }
            }
        }
        if !self.levels[j].is_empty() {
            let first: Vec<usize> = self.levels[j].iter().take(3).map(|(level, _)| *level).collect();
            let mut taken = [0; 64];
            for (level, _, p) in &self.fitting[j] {
                let slot = &mut taken[(*level).min(63)];
                if first.contains(level) && *slot < 4 {
                    *slot += 1;
                    add(*p, &mut chosen);
                }
            }
        }
        // Where nothing is said, place is all there is.
        let near = if self.spoken > 0.0 || self.tips { 11 } else { 18 };
        for (_, p) in layout.near[j].iter().take(near) {
            add(*p, &mut chosen);
        }
        for p in &around.nearest {
            add(*p, &mut chosen);
        }
        let mut similar: Vec<(f64, usize)> = layout.near[j]
            .iter()
            .take(30)
            .map(|(_, p)| (self.shared(*p, j), *p))
            .filter(|(share, _)| *share >= 0.35)
            .collect();
        similar.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
        for (_, p) in similar.into_iter().take(5) {
            add(p, &mut chosen);
        }
        if let Some(up) = layout.tree.up[j] {
            add(up, &mut chosen);
        }
        for (d, p) in layout.near[j].iter().take(10) {
            if *d <= layout.size * 1e-4 {
                add(*p, &mut chosen);
            }
        }
        for (_, p) in layout.near[j].iter().take(30) {
            if layout.near[*p].iter().take(3).any(|(_, k)| *k == j) {
                add(*p, &mut chosen);
            }
        }
        for p in &self.hubs {
            add(*p, &mut chosen);
        }
        chosen.sort_unstable();
        chosen
    }
}

/// A declared kind as a category, made finer by the name where both agree.
fn declared(kind: Option<PartKind>, read: Option<Category>) -> Option<Category> {
    use Category as C;
    let Some(kind) = kind else { return read };
    let fits = |list: &[Category], otherwise: Category| {
        Some(read.filter(|category| list.contains(category)).unwrap_or(otherwise))
    };
    match kind {
        PartKind::Spine => fits(&[C::Root, C::Body, C::Pelvis, C::Chest], C::Spine),
        PartKind::Neck => Some(C::Neck),
        PartKind::Head => fits(&[C::Skull], C::Head),
        PartKind::Jaw => fits(&[C::Mouth, C::Tongue], C::Jaw),
        PartKind::Eye => fits(&[C::Lid, C::Brow], C::Eye),
        PartKind::Ear => Some(C::Ear),
        PartKind::Arm => fits(
            &[C::Clavicle, C::Shoulder, C::UpperArm, C::Elbow, C::Forearm, C::Wrist, C::Hand, C::Palm],
            C::Arm,
        ),
        PartKind::Leg => fits(
            &[
                C::Hip,
                C::Thigh,
                C::Knee,
                C::Shin,
                C::Ankle,
                C::Heel,
                C::Foot,
                C::Ball,
                C::Toe,
                C::Coxa,
                C::Femur,
                C::Tibia,
                C::Tarsus,
            ],
            C::Leg,
        ),
        PartKind::Wing => fits(&[C::Shoulder, C::UpperArm, C::Forearm, C::Hand, C::Feather], C::Wing),
        PartKind::Fin => Some(C::Fin),
        PartKind::Digit => {
            fits(&[C::Thumb, C::Index, C::Middle, C::Ring, C::Little, C::Toe, C::Palm], C::Finger)
        }
        PartKind::Tail => Some(C::Tail),
        PartKind::Feeler => fits(&[C::Tentacle, C::Nose], C::Feeler),
        PartKind::Brace | PartKind::Other => read,
    }
}

/// Runs of at least two, and each joint's places in them (runs of the last number first).
fn runs(names: &Names, layout: &Layout) -> (Vec<Run>, Vec<Vec<(usize, usize)>>) {
    let mut groups: BTreeMap<(usize, u32, i8, u8, Vec<u32>), Vec<(u32, usize)>> = BTreeMap::new();
    for (joint, reading) in names.readings.iter().enumerate() {
        if reading.pieces == 0 || reading.inserted {
            continue;
        }
        for from_end in 0..reading.numbers.len() {
            let at = reading.numbers.len() - 1 - from_end;
            let mut rest = reading.numbers.clone();
            let number = rest.remove(at);
            let key = (from_end, reading.stem, reading.side.unwrap_or(2), reading.row, rest);
            groups.entry(key).or_default().push((number, joint));
        }
    }
    let mut out = Vec::new();
    let mut places = vec![Vec::new(); names.readings.len()];
    for ((from_end, ..), mut members) in groups {
        if members.len() < 2 {
            continue;
        }
        members.sort_unstable();
        for (place, (_, joint)) in members.iter().enumerate() {
            places[*joint].push((out.len(), place));
        }
        out.push(measured(members, from_end == 0, layout));
    }
    (out, places)
}

fn measured(members: Vec<(u32, usize)>, last: bool, layout: &Layout) -> Run {
    let mut ranks = Vec::new();
    let (mut outward, mut linked, mut straight, mut corners, mut total) = (0.0, 0.0, 0.0, 0.0, 0.0);
    let mut order = Vec::with_capacity(members.len());
    for (index, (number, _)) in members.iter().enumerate() {
        let last = order.last().copied().unwrap_or(0);
        let new = index > 0 && members[index - 1].0 != *number;
        order.push(last + usize::from(new));
    }
    // Each joint with the nearest one before it.
    let mut pairs: Vec<(usize, usize)> = Vec::with_capacity(members.len());
    let mut before: Vec<Option<usize>> = vec![None; members.len()];
    for (index, (_, b)) in members.iter().enumerate() {
        let near = (0..index).filter(|other| order[*other] + 1 == order[index]).min_by(|x, y| {
            layout.apart(members[*x].1, *b).total_cmp(&layout.apart(members[*y].1, *b)).then(x.cmp(y))
        });
        before[index] = near;
        pairs.extend(near.map(|near| (members[near].1, *b)));
    }
    for (a, b) in pairs.iter().copied() {
        let d = layout.apart(a, b);
        total += d;
        ranks.push(layout.nearer(a, d).min(layout.nearer(b, d)) as f32);
        let growth = layout.tree.mean[b] - layout.tree.mean[a];
        outward += if growth.abs() < 1e-9 { 0.0 } else { growth.signum() };
        linked += f64::from(u8::from(layout.tree.up[a] == Some(b) || layout.tree.up[b] == Some(a)));
    }
    for index in 0..members.len() {
        let Some(middle) = before[index] else { continue };
        let Some(first) = before[middle] else { continue };
        let step = |from: usize, to: usize| {
            (layout.at[members[to].1] - layout.at[members[from].1]).normalize_or_zero()
        };
        straight += step(first, middle).dot(step(middle, index));
        corners += 1.0;
    }
    ranks.sort_by(f32::total_cmp);
    let steps = pairs.len().max(1) as f64;
    // The spot from which they might all hang: the mean distance of the best joint outside the run.
    let hub = layout.near[members[0].1]
        .iter()
        .filter(|(_, k)| !members.iter().any(|(_, m)| m == k))
        .take(8)
        .map(|(_, k)| members.iter().map(|(_, m)| layout.apart(*m, *k)).sum::<f64>() / members.len() as f64)
        .fold(f64::INFINITY, f64::min);
    Run {
        last,
        near: ranks.get(ranks.len() / 2).copied().unwrap_or(0.0),
        straight: if corners > 0.0 { (straight / corners) as f32 } else { f32::NAN },
        outward: (outward / steps) as f32,
        linked: (linked / steps) as f32,
        fan: if hub.is_finite() {
            ((total / steps + 1e-9) / (hub + 1e-9)).min(20.0) as f32
        } else {
            f32::NAN
        },
        order,
        members,
    }
}
