//! Fitting the model: boosted trees whose gradient is that of the likelihood of the whole tree.
//!
//! Everything is an argument: the skeletons, the seed. The same arguments give the same model, byte for byte.

mod augment;
mod boost;
mod ceiling;
mod evaluate;
mod reading;
mod setting;
mod synthetic;

use std::collections::BTreeMap;

use glam::DVec3;

pub use boost::{Dice, Params};
pub use ceiling::{Agreement, Reach, agreement, reach};
pub use evaluate::{
    Baseline, Prepared, Scores, Trial, baseline, best_temperature, folds, judge, prepare, with_bodies,
};
pub use reading::{read_samples, write_sample};
pub use setting::{Cut, Setting};
pub use synthetic::synthetic;

use super::arborescence::Edge;
use super::features;
use super::marginals::{Roots, marginals};
use super::model::{Ensemble, Expert, Model};
use super::scene::Scene;
use super::second;
use super::skeleton::{Decided, Item, canonical};
use super::solve::{self, Problem, RootRule};

/// A skeleton whose parents are known.
#[derive(Debug, Clone)]
pub struct Sample {
    /// Its name.
    pub name: String,
    /// Who made it: the grouping of the folds.
    pub maker: String,
    /// What kind of body.
    pub kind: String,
    /// The joints; tips and parts are set by the setting.
    pub items: Vec<Item>,
    /// The origins in the pose the file was left in.
    pub rest: Vec<DVec3>,
    /// The parents.
    pub truth: Vec<Option<usize>>,
    /// Which joints move skin.
    pub deforming: Vec<bool>,
    /// The chain a person would draw each joint in.
    pub chain: Vec<usize>,
}

impl Sample {
    /// The joints in another order.
    #[must_use]
    pub fn permuted(&self, order: &[usize]) -> Self {
        let mut place = vec![0; order.len()];
        for (new, old) in order.iter().enumerate() {
            place[*old] = new;
        }
        let pick = |old: &usize| {
            let mut item = self.items[*old].clone();
            if let Decided::Under(p) = item.decided {
                item.decided = Decided::Under(place[p]);
            }
            item
        };
        Self {
            name: self.name.clone(),
            maker: self.maker.clone(),
            kind: self.kind.clone(),
            items: order.iter().map(pick).collect(),
            rest: order.iter().map(|old| self.rest[*old]).collect(),
            truth: order.iter().map(|old| self.truth[*old].map(|p| place[p])).collect(),
            deforming: order.iter().map(|old| self.deforming[*old]).collect(),
            chain: order.iter().map(|old| self.chain[*old]).collect(),
        }
    }
}

/// How an expert is fitted.
#[derive(Debug, Clone, Copy)]
pub struct Recipe {
    /// The kind of input.
    pub setting: Setting,
    /// The first stage.
    pub first: Params,
    /// The second stage; none where it has no trees.
    pub second: Params,
    /// Changed copies of each skeleton.
    pub copies: usize,
    /// Generated skeletons.
    pub synthetic: usize,
    /// Groups of makers that judge each other for the second stage.
    pub parts: usize,
    /// Where all chance comes from.
    pub seed: u64,
    /// Fits with seeds that follow each other, whose mean is the expert: what one of them takes for granted by chance
    /// the others do not.
    pub members: u64,
}

/// A skeleton ready for the learner.
struct Lesson {
    scene: Scene,
    problem: Problem,
    /// Per edge: whether it is true.
    truth: Vec<bool>,
    maker: String,
    weight: f64,
}

impl Lesson {
    fn new(sample: &Sample, weight: f64) -> Self {
        let order = canonical(&sample.items);
        let sample = sample.permuted(&order);
        let truth = sample.truth;
        let scene = Scene::new(sample.items);
        let problem = solve::problem(&scene, &RootRule::Any, |j| truth[j]);
        let marks = marks(&problem, |j| truth[j]);
        Self { scene, problem, truth: marks, maker: sample.maker, weight }
    }
}

/// What the learner looks at of a lesson.
struct Exercise<'a> {
    lesson: &'a Lesson,
    /// Rows of features, one for each edge.
    rows: Vec<&'a [f32]>,
}

/// Fits one expert: the mean of its members.
pub fn fit(samples: &[Sample], recipe: &Recipe) -> Expert {
    let count = recipe.members.max(1);
    let members: Vec<Expert> = (0..count)
        .map(|member| fit_member(samples, &Recipe { seed: recipe.seed.wrapping_add(member), ..*recipe }))
        .collect();
    let first = mean(members.iter().map(|member| &member.first));
    let second = members.iter().all(|member| member.second.is_some());
    Expert {
        name: recipe.setting.name().to_owned(),
        temperature: 1.0,
        first,
        second: second.then(|| mean(members.iter().filter_map(|member| member.second.as_ref()))),
    }
}

/// The mean of sums of trees is the sum of all their trees, each with its share.
fn mean<'a>(members: impl Iterator<Item = &'a Ensemble> + Clone) -> Ensemble {
    let count = members.clone().count().max(1);
    let mut out = Ensemble::default();
    for member in members {
        out.edge += member.edge / count as f64;
        out.root += member.root / count as f64;
        out.trees.extend(member.trees.iter().cloned().map(|mut tree| {
            tree.leaves.iter_mut().for_each(|leaf| *leaf /= count as f32);
            tree
        }));
    }
    out
}

fn fit_member(samples: &[Sample], recipe: &Recipe) -> Expert {
    let lessons = lessons(samples, recipe);
    let all: Vec<&Lesson> = lessons.iter().collect();
    let first = fit_first(&all, &recipe.first, recipe.seed);
    let second = (recipe.second.trees > 0).then(|| {
        // Each half is judged by a model of the other: the second stage must see answers as unsure as real ones.
        let mut makers: Vec<String> = lessons.iter().map(|lesson| lesson.maker.clone()).collect();
        makers.sort_unstable();
        makers.dedup();
        Dice(recipe.seed ^ 0x5EED).shuffle(&mut makers);
        let parts = recipe.parts.max(2);
        let part: BTreeMap<String, usize> =
            makers.into_iter().enumerate().map(|(place, maker)| (maker, place % parts)).collect();
        let of = |lesson: &Lesson| part.get(&lesson.maker).copied().unwrap_or(0);
        let models: Vec<Ensemble> = (0..parts)
            .map(|wanted| {
                let others: Vec<&Lesson> = lessons.iter().filter(|lesson| of(lesson) != wanted).collect();
                fit_first(&others, &recipe.first, recipe.seed ^ 0xABCD)
            })
            .collect();
        let pairs = lessons.into_iter().map(|lesson| (of(&lesson), lesson)).collect();
        fit_second(pairs, &models, &recipe.second, recipe.seed)
    });
    Expert { name: recipe.setting.name().to_owned(), temperature: 1.0, first, second }
}

/// Copies of the samples as the setting shows them, with weights by maker.
fn lessons(samples: &[Sample], recipe: &Recipe) -> Vec<Lesson> {
    let mut files: BTreeMap<&str, usize> = BTreeMap::new();
    for sample in samples {
        *files.entry(sample.maker.as_str()).or_default() += 1;
    }
    let mut out = Vec::new();
    for (index, sample) in samples.iter().enumerate() {
        let weight = 1.0 / (files[sample.maker.as_str()] as f64).sqrt();
        let mut dice = Dice(recipe.seed.wrapping_mul(7919).wrapping_add(index as u64));
        for (number, cut) in recipe.setting.cuts().iter().enumerate() {
            let weight = if number == 0 { weight } else { weight * 0.5 };
            out.push(Lesson::new(&recipe.setting.show(sample, *cut, &mut dice), weight));
        }
        for copy in 0..recipe.copies {
            let changed = augment::changed(sample, copy, recipe.setting, &mut dice);
            let cuts = recipe.setting.cuts();
            let cut = cuts[copy % cuts.len()];
            out.push(Lesson::new(&recipe.setting.show(&changed, cut, &mut dice), weight * 0.5));
        }
    }
    for index in 0..recipe.synthetic {
        let mut dice = Dice(recipe.seed.wrapping_mul(104_729).wrapping_add(index as u64));
        let sample = synthetic(&mut dice, index);
        out.push(Lesson::new(&recipe.setting.show(&sample, Cut::Natural, &mut dice), 0.3));
    }
    out
}

fn fit_first(lessons: &[&Lesson], params: &Params, seed: u64) -> Ensemble {
    let exercises: Vec<Exercise<'_>> = lessons
        .iter()
        .map(|lesson| Exercise { lesson, rows: lesson.problem.rows.iter().map(|row| &row[..]).collect() })
        .collect();
    boosted(&exercises, features::WIDTH, params, seed)
}

/// The second stage, on lessons each with the number of the first-stage model that has not seen its maker.
fn fit_second(lessons: Vec<(usize, Lesson)>, models: &[Ensemble], params: &Params, seed: u64) -> Ensemble {
    let (lessons, tables): (Vec<Lesson>, Vec<Vec<Vec<f32>>>) = lessons
        .into_iter()
        .map(|(number, lesson)| {
            let scores = solve::first_scores(&lesson.problem, &models[number]);
            let probability =
                solve::probabilities(lesson.scene.count(), &lesson.problem.edges, &scores, Roots::Any);
            let edges = lesson.problem.edges.iter();
            let kept: BTreeMap<usize, Option<usize>> = edges
                .zip(&lesson.truth)
                .filter(|(_, truth)| **truth)
                .map(|(edge, _)| (edge.to - 1, edge.from.checked_sub(1)))
                .collect();
            let truth = |j: usize| kept.get(&j).copied();
            let (problem, probability) = solve::without_faint(lesson.problem, &probability, truth);
            let marks = marks(&problem, |j| kept.get(&j).copied().flatten());
            let rows = second::rows(&lesson.scene, &problem, &probability, &probability);
            (Lesson { problem, truth: marks, ..lesson }, rows)
        })
        .unzip();
    let exercises: Vec<Exercise<'_>> = lessons
        .iter()
        .zip(&tables)
        .map(|(lesson, table)| Exercise { lesson, rows: table.iter().map(|row| &row[..]).collect() })
        .collect();
    boosted(&exercises, second::WIDTH, params, seed ^ 0x2222)
}

/// Which edges are true.
fn marks(problem: &Problem, truth: impl Fn(usize) -> Option<usize>) -> Vec<bool> {
    problem.edges.iter().map(|edge| truth(edge.to - 1).map_or(0, |p| p + 1) == edge.from).collect()
}

/// Boosting: each round the probability of every edge over all trees, against the truth.
fn boosted(exercises: &[Exercise<'_>], width: usize, params: &Params, seed: u64) -> Ensemble {
    let mut dice = Dice(seed);
    let total: usize = exercises.iter().map(|one| one.rows.len()).sum();
    let keep = (60_000.0 / total.max(1) as f64).min(1.0);
    let sample: Vec<Vec<f32>> = exercises
        .iter()
        .flat_map(|one| &one.rows)
        .filter(|_| dice.unit() < keep)
        .map(|row| row.to_vec())
        .collect();
    let edges = boost::Edges::new(width, &sample);
    drop(sample);
    let mut bins = Vec::with_capacity(total * width);
    for row in exercises.iter().flat_map(|one| &one.rows) {
        edges.bin(row, &mut bins);
    }
    let mut ensemble = Ensemble { edge: -2.0, root: -3.0, trees: Vec::new() };
    let mut scores = Vec::with_capacity(total);
    for Exercise { lesson, .. } in exercises {
        scores.extend(lesson.problem.edges.iter().map(|e| if e.from == 0 { -3.0 } else { -2.0 }));
    }
    let (mut gradient, mut hessian) = (vec![0.0; total], vec![0.0; total]);
    let mut quiet = vec![false; total];
    let table = boost::Table { width, bins: &bins };
    for round in 0..params.trees {
        let mut at = 0;
        for Exercise { lesson, .. } in exercises {
            let count = lesson.problem.edges.len();
            let range = at..at + count;
            let mu = expectation(lesson, &scores[range.clone()]);
            for (k, mu) in mu.into_iter().enumerate() {
                let slot = at + k;
                let truth = f64::from(u8::from(lesson.truth[k]));
                let open = lesson.scene.items[lesson.problem.edges[k].to - 1].decided == Decided::Open;
                let weight = if open { lesson.weight } else { 0.0 };
                gradient[slot] = weight * (mu - truth);
                hessian[slot] = weight * (mu * (1.0 - mu)).max(0.02);
                quiet[slot] = mu < 0.004 && !lesson.truth[k];
            }
            at += count;
        }
        // Most edges are plainly wrong and say next to nothing: one in five of them, in turn, speaks for all five.
        let turn = (round % 5) as u64;
        let mut used: Vec<u32> = Vec::with_capacity(total / 2);
        for row in 0..total {
            if hessian[row] <= 0.0 {
                continue;
            }
            if quiet[row] {
                let bucket = ((row as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 33) % 5;
                if bucket != turn {
                    continue;
                }
                gradient[row] *= 5.0;
                hessian[row] *= 5.0;
            }
            used.push(row as u32);
        }
        let tree = boost::grow(&table, &edges, used, &gradient, &hessian, params, &mut dice);
        for (row, score) in scores.iter_mut().enumerate() {
            *score += tree.value(&bins[row * width..(row + 1) * width]);
        }
        ensemble.trees.push(tree.tree);
    }
    ensemble
}

/// Edge probabilities: over all trees where that is quick, else over each joint's own edges.
fn expectation(lesson: &Lesson, scores: &[f64]) -> Vec<f64> {
    let count = lesson.scene.count();
    if count <= 64 {
        let scored: Vec<Edge> = lesson
            .problem
            .edges
            .iter()
            .zip(scores)
            .map(|(edge, score)| Edge { score: *score, ..*edge })
            .collect();
        if let Some((mu, _)) = marginals(count + 1, &scored, Roots::Any) {
            return mu;
        }
    }
    let mut out = vec![0.0; scores.len()];
    for (from, to) in &lesson.problem.of {
        let most = scores[*from..*to].iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let sum: f64 = scores[*from..*to].iter().map(|score| (score - most).exp()).sum();
        for k in *from..*to {
            out[k] = (scores[k] - most).exp() / sum;
        }
    }
    out
}

/// The recipes of the shipped model, each with the temperature that cross-validation found (`fit-parents --table` prints it).
pub fn shipped() -> [(Recipe, f64); 3] {
    let stage = |trees: usize| Params { trees, leaves: 14, rate: 0.12, l2: 3.0, least: 30, share: 0.5 };
    let recipe = |setting, first, second, copies, synthetic| Recipe {
        setting,
        first: stage(first),
        second: stage(second),
        copies,
        synthetic,
        parts: 3,
        seed: 1,
        members: 3,
    };
    [
        (recipe(Setting::Named, 90, 60, 2, 0), 1.0),
        (recipe(Setting::Bare, 150, 60, 2, 100), 1.1),
        (recipe(Setting::Plan, 150, 0, 1, 0), 1.05),
    ]
}

/// The shipped recipes with fewer trees, for the test that fits a small set.
pub fn small() -> [(Recipe, f64); 3] {
    shipped().map(|(mut recipe, temperature)| {
        recipe.members = 1;
        recipe.first.trees = 6;
        recipe.second.trees = recipe.second.trees.min(4);
        recipe.synthetic = recipe.synthetic.min(2);
        (recipe, temperature)
    })
}

/// The whole model: one expert per recipe.
pub fn fit_model(samples: &[Sample], recipes: &[(Recipe, f64)], trained_on: String) -> Model {
    let experts = recipes
        .iter()
        .map(|(recipe, temperature)| Expert { temperature: *temperature, ..fit(samples, recipe) })
        .collect();
    Model { trained_on, skeletons: samples.len(), experts }
}
