//! The second look: what the first answer says about a joint's kin, its twin, its children and siblings.

use std::collections::BTreeMap;

use super::features::FEATURES;
use super::scene::Scene;
use super::solve::Problem;

/// The names of the further features.
pub(super) const MORE: &[&str] = &[
    "log_first",
    "log_reverse",
    "first_rank",
    "first_gap",
    "children_p",
    "children_j",
    "root_p",
    "root_j",
    "log_twin",
    "kin_vote",
    "kin_count",
    "kin_gap",
    "kin_reverse",
    "stem_children",
    "stem_on_itself",
    "grandparent_straight",
    "grandparent_ratio",
    "below_j",
    "below_p",
    "depth_p",
    "siblings_kind",
    "children_kind",
    "side_children",
];

/// First and further features together.
pub(super) const WIDTH: usize = FEATURES.len() + MORE.len();

/// What the relation of two joints is, apart from which two they are.
pub(super) type Relation = (u32, u32, i64, i32);

/// One row for each edge: the first row, then what the first answer adds.
pub(super) fn rows(scene: &Scene, problem: &Problem, probability: &[f64], context: &[f64]) -> Vec<Vec<f32>> {
    let count = scene.count();
    let layout = &scene.layout;
    let lookup: BTreeMap<(usize, usize), f64> =
        problem.edges.iter().zip(probability).map(|(edge, p)| ((edge.from, edge.to), *p)).collect();
    let of = |from: usize, to: usize| lookup.get(&(from, to)).copied().unwrap_or(0.0);
    let mut children = vec![0.0; count + 1];
    let mut own_stem = vec![(0.0, 0.0); scene.stem_size.len()];
    let mut child_stems: BTreeMap<(usize, u32), f64> = BTreeMap::new();
    let mut child_kinds: BTreeMap<(usize, u8), f64> = BTreeMap::new();
    let mut child_sides = vec![[0.0; 2]; count + 1];
    let stem = |joint: usize| scene.names.readings[joint].stem;
    let mut votes: BTreeMap<Relation, (f64, f64)> = BTreeMap::new();
    for ((edge, p), said) in problem.edges.iter().zip(probability).zip(context) {
        let j = edge.to - 1;
        children[edge.from] += p;
        if edge.from == 0 {
            own_stem[stem(j) as usize].1 += p;
            continue;
        }
        let parent = edge.from - 1;
        own_stem[stem(j) as usize].1 += p;
        if stem(parent) == stem(j) {
            own_stem[stem(j) as usize].0 += p;
        }
        *child_stems.entry((edge.from, stem(j))).or_default() += p;
        *child_kinds.entry((edge.from, scene.category[j] as u8)).or_default() += p;
        match scene.side[j] {
            Some(1) => child_sides[edge.from][0] += p,
            Some(-1) => child_sides[edge.from][1] += p,
            _ => {}
        }
        let vote = votes.entry(relation(scene, parent, j)).or_default();
        vote.0 += said;
        vote.1 += 1.0;
    }
    // The likeliest parent of each joint, and how much hangs below each joint.
    let best: Vec<Option<usize>> = problem
        .of
        .iter()
        .map(|(from, to)| {
            let top =
                (*from..*to).max_by(|a, b| probability[*a].total_cmp(&probability[*b]).then(b.cmp(a)))?;
            problem.edges[top].from.checked_sub(1)
        })
        .collect();
    let mut depth = vec![0_u32; count];
    let mut below = vec![1.0_f64; count];
    for (j, slot) in depth.iter_mut().enumerate() {
        let mut at = best[j];
        while let Some(up) = at
            && *slot < 64
        {
            *slot += 1;
            below[up] += 1.0;
            at = best[up];
        }
    }
    let log = |p: f64| (p + 1e-4).ln();
    let mut out = Vec::with_capacity(problem.edges.len());
    for (j, (from, to)) in problem.of.iter().enumerate() {
        let list = &probability[*from..*to];
        let top = list.iter().copied().fold(0.0, f64::max);
        let votes_here: Vec<Option<(f64, f64)>> = (*from..*to)
            .map(|index| {
                let parent = problem.edges[index].from.checked_sub(1)?;
                let (sum, number) = votes.get(&relation(scene, parent, j))?;
                (*number > 1.0).then(|| ((sum - context[index]) / (number - 1.0), number - 1.0))
            })
            .collect();
        let best_vote = votes_here.iter().flatten().map(|(v, _)| *v).fold(f64::NAN, f64::max);
        for index in *from..*to {
            let edge = problem.edges[index];
            let p = probability[index];
            let mut row: Vec<f32> = Vec::with_capacity(WIDTH);
            row.extend_from_slice(&problem.rows[index]);
            let parent = edge.from.checked_sub(1);
            let mut put = |value: Option<f64>| row.push(value.map_or(f32::NAN, |v| v as f32));
            put(Some(log(p)));
            put(parent.map(|parent| log(of(edge.to, parent + 1))));
            put(Some(list.iter().filter(|other| **other > p).count() as f64));
            put(Some(log(p) - log(top)));
            put(Some(children[edge.from] - p));
            put(Some(children[edge.to]));
            put(parent.map(|parent| log(of(0, parent + 1))));
            put(Some(log(of(0, edge.to))));
            let twin = layout.twin[j].map(|twin| {
                let from = parent.map_or(0, |parent| layout.twin[parent].unwrap_or(parent) + 1);
                log(of(from, twin + 1))
            });
            put(twin);
            let vote = votes_here[index - from];
            put(vote.map(|(vote, _)| vote));
            put(vote.map(|(_, number)| number.min(30.0)));
            put(vote.map(|(vote, _)| vote - best_vote));
            put(parent.and_then(|parent| {
                let (sum, number) = votes.get(&relation(scene, j, parent))?;
                Some(sum / number)
            }));
            put(parent.map(|_| child_stems.get(&(edge.from, stem(j))).copied().unwrap_or(0.0) - p));
            let (own, all) = own_stem[stem(j) as usize];
            put((all > 1.5).then_some(own / all));
            let grand = parent.and_then(|parent| best[parent]).filter(|grand| *grand != j);
            let steps = parent.zip(grand).map(|(parent, grand)| {
                (layout.at[parent] - layout.at[grand], layout.at[j] - layout.at[parent])
            });
            put(steps.map(|(a, b)| a.normalize_or_zero().dot(b.normalize_or_zero())));
            put(steps.and_then(|(a, b)| {
                let (a, b) = (a.length(), b.length());
                (a > 0.0 && b > 0.0).then(|| (b / a).ln().clamp(-4.0, 4.0))
            }));
            put(Some(below[j].ln()));
            put(parent.map(|parent| below[parent].ln()));
            put(parent.map(|parent| f64::from(depth[parent])));
            let kind = scene.category[j] as u8;
            put(parent.map(|_| child_kinds.get(&(edge.from, kind)).copied().unwrap_or(0.0) - p));
            put(parent.map(|parent| {
                child_kinds.get(&(edge.to, scene.category[parent] as u8)).copied().unwrap_or(0.0)
            }));
            put(Some(child_sides[edge.from][0] - child_sides[edge.from][1]));
            out.push(row);
        }
    }
    out
}

/// Names and numbers of the pair, without the pair itself: limbs that repeat share it.
pub(super) fn relation(scene: &Scene, parent: usize, j: usize) -> Relation {
    let step = scene.step(parent, j).map_or(99, |step| step.numbers.clamp(-20, 20));
    let sides = match (scene.side[parent], scene.side[j]) {
        (a, b) if a == b => 0,
        (Some(0) | None, _) => 1,
        (_, Some(0) | None) => 2,
        _ => 3,
    };
    (scene.names.readings[parent].stem, scene.names.readings[j].stem, step, sides)
}
