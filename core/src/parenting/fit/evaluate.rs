//! How good a model is: by joints and by makers, deforming joints apart, and how honest its probabilities are.

use std::collections::{BTreeMap, BTreeSet};

use super::super::arborescence::{Edge, best_tree};
use super::super::conventions::{self, choices};
use super::super::features::Around;
use super::super::marginals::Roots;
use super::super::skeleton::canonical;
use super::super::solve::{self, Looked, RootRule};
use super::super::way;
use super::boost::Dice;
use super::setting::{Cut, Setting};
use super::{Decided, Expert, Sample, Scene};
use crate::body::Body;

/// One judged joint.
#[derive(Debug, Clone)]
struct Judged {
    maker: String,
    kind: String,
    text: String,
    asked: bool,
    part: OfPart,
    sample: String,
    deforming: bool,
    right: bool,
    fault: Option<Fault>,
    /// Where the true parent stands among the others.
    place: Option<usize>,
    probability: f64,
}

/// What a joint is in its part.
#[derive(Debug, Clone, Copy)]
struct OfPart {
    /// At its head.
    head: bool,
    /// All of it.
    alone: bool,
    /// Shown with a kind.
    declared: bool,
}

impl Judged {
    fn new(shown: &Sample, j: usize, chosen: Option<usize>) -> Self {
        Self {
            maker: shown.maker.clone(),
            kind: shown.kind.clone(),
            text: String::new(),
            asked: false,
            part: OfPart {
                head: shown.truth[j].is_none_or(|p| shown.chain[p] != shown.chain[j]),
                alone: shown.chain.iter().filter(|chain| **chain == shown.chain[j]).count() == 1,
                declared: shown.items[j].kind.is_some(),
            },
            sample: shown.name.clone(),
            deforming: shown.deforming[j],
            right: chosen == shown.truth[j],
            fault: None,
            place: None,
            probability: 1.0,
        }
    }
}

/// What came out.
#[derive(Debug, Clone, Default)]
pub struct Scores {
    judged: Vec<Judged>,
}

impl Scores {
    fn of(&self, deforming: bool) -> impl Iterator<Item = &Judged> {
        self.judged.iter().filter(move |one| !deforming || one.deforming)
    }

    /// Adds others.
    pub fn extend(&mut self, other: Self) {
        self.judged.extend(other.judged);
    }

    /// How many joints.
    pub fn joints(&self, deforming: bool) -> usize {
        self.of(deforming).count()
    }

    /// Share of joints that are right.
    pub fn right(&self, deforming: bool) -> f64 {
        mean(self.of(deforming).map(|one| f64::from(u8::from(one.right))))
    }

    /// Mean over makers of their shares, its standard error, and how many makers.
    pub fn makers(&self, deforming: bool) -> (f64, f64, usize) {
        let mut by: BTreeMap<&str, (f64, f64)> = BTreeMap::new();
        for one in self.of(deforming) {
            let slot = by.entry(&one.maker).or_default();
            slot.0 += f64::from(u8::from(one.right));
            slot.1 += 1.0;
        }
        let shares: Vec<f64> = by.values().map(|(right, all)| right / all).collect();
        let middle = mean(shares.iter().copied());
        let spread = mean(shares.iter().map(|share| (share - middle).powi(2))).sqrt();
        (middle, spread / (shares.len().max(1) as f64).sqrt(), shares.len())
    }

    /// Share of joints whose true parent is among the first two.
    pub fn among_two(&self, deforming: bool) -> f64 {
        mean(self.of(deforming).map(|one| f64::from(u8::from(one.right || one.place == Some(0)))))
    }

    /// Share of skeletons without a wrong joint.
    pub fn perfect(&self, deforming: bool) -> f64 {
        let mut by: BTreeMap<&str, bool> = BTreeMap::new();
        for one in self.of(deforming) {
            *by.entry(&one.sample).or_insert(true) &= one.right;
        }
        mean(by.values().map(|right| f64::from(u8::from(*right))))
    }

    /// Expected calibration error: ten bins of probability, |share right − mean probability|, weighed by size.
    pub fn calibration(&self, deforming: bool) -> f64 {
        let mut bins = [(0.0, 0.0, 0.0); 10];
        for one in self.of(deforming) {
            let bin = &mut bins[((one.probability * 10.0) as usize).min(9)];
            bin.0 += f64::from(u8::from(one.right));
            bin.1 += one.probability;
            bin.2 += 1.0;
        }
        let total: f64 = bins.iter().map(|bin| bin.2).sum();
        bins.iter().filter(|bin| bin.2 > 0.0).map(|bin| (bin.0 - bin.1).abs() / total.max(1.0)).sum()
    }

    /// Of joints with a probability of `least` or more: their share, and how many of them are right.
    pub fn sure(&self, least: f64, deforming: bool) -> (f64, f64) {
        let sure: Vec<&Judged> = self.of(deforming).filter(|one| one.probability >= least).collect();
        let right = mean(sure.iter().map(|one| f64::from(u8::from(one.right))));
        (sure.len() as f64 / self.joints(deforming).max(1) as f64, right)
    }

    /// The head of the table that `line` fills.
    pub fn head() -> String {
        format!(
            "{:<26} {:>6} {:>6} | {:>12} {:>6} {:>6} {:>6} | {:>6} {:>6} | {:>13} {:>13}",
            "per cent",
            "joints",
            "all",
            "makers (se)",
            "two",
            "whole",
            "error",
            "n",
            "makers",
            "p>=.95 right",
            "p>=.9 right"
        )
    }

    /// One line of the table: deforming joints unless said, per cent.
    pub fn line(&self, name: &str) -> String {
        let (makers, error, number) = self.makers(true);
        let (sure, right) = self.sure(0.95, true);
        let (surely, so) = self.sure(0.9, true);
        let hundred = |share: f64| 100.0 * share;
        format!(
            "{name:<26} {:>6.1} {:>6.1} | {:>6.1} ({:>3.1}) {:>6.1} {:>6.1} {:>6.1} | {:>6} {number:>6} | {:>6.1} {:>6.1} {:>6.1} {:>6.1}",
            hundred(self.right(true)),
            hundred(self.right(false)),
            hundred(makers),
            hundred(error),
            hundred(self.among_two(true)),
            hundred(self.perfect(true)),
            hundred(self.calibration(true)),
            self.joints(true),
            hundred(sure),
            hundred(right),
            hundred(surely),
            hundred(so),
        )
    }

    /// Without the joints that a question was about.
    #[must_use]
    pub fn not_asked(&self) -> Self {
        Self { judged: self.judged.iter().filter(|one| !one.asked).cloned().collect() }
    }

    /// Only skeletons of a kind whose name holds one of these words.
    #[must_use]
    pub fn of_kind(&self, words: &[&str]) -> Self {
        let fits = |one: &&Judged| words.iter().any(|word| one.kind.contains(word));
        Self { judged: self.judged.iter().filter(fits).cloned().collect() }
    }

    /// The wrong ones, in words.
    pub fn wrong(&self) -> Vec<String> {
        self.judged.iter().filter(|one| one.deforming && !one.right).map(|one| one.text.clone()).collect()
    }

    /// Every answer with the bits of its probability and the true parent's place, to compare two builds.
    pub fn answers(&self) -> Vec<String> {
        let words = |one: &Judged| format!("{} {:016x} {:?}", one.text, one.probability.to_bits(), one.place);
        self.judged.iter().map(words).collect()
    }

    /// Only joints at the head of a part, as a person would draw the parts.
    #[must_use]
    pub fn heads(&self) -> Self {
        Self { judged: self.judged.iter().filter(|one| one.part.head).cloned().collect() }
    }

    /// Only joints that were shown with a kind of part, or only those without.
    #[must_use]
    pub fn declared(&self, declared: bool) -> Self {
        Self { judged: self.judged.iter().filter(|one| one.part.declared == declared).cloned().collect() }
    }

    /// Only joints of parts of one joint, or only those of longer parts.
    #[must_use]
    pub fn alone(&self, alone: bool) -> Self {
        Self { judged: self.judged.iter().filter(|one| one.part.alone == alone).cloned().collect() }
    }

    /// How many deforming joints are wrong in which way, and over how many makers; the most frequent first.
    pub fn faults(&self) -> Vec<(&'static str, usize, usize)> {
        let mut by: BTreeMap<Fault, (usize, BTreeSet<&str>)> = BTreeMap::new();
        for one in self.of(true) {
            if let Some(fault) = one.fault {
                let slot = by.entry(fault).or_default();
                slot.0 += 1;
                slot.1.insert(&one.maker);
            }
        }
        let mut out: Vec<_> =
            by.into_iter().map(|(fault, (n, makers))| (fault.words(), n, makers.len())).collect();
        out.sort_by(|a, b| b.1.cmp(&a.1).then(a.0.cmp(b.0)));
        out
    }

    /// Mean logarithm of the probability of what was chosen being right or wrong: lower is worse.
    pub fn honesty(&self) -> f64 {
        mean(self.judged.iter().map(|one| {
            let p = one.probability.clamp(1e-6, 1.0 - 1e-6);
            if one.right { p.ln() } else { (1.0 - p).ln() }
        }))
    }
}

pub(super) fn mean(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, count) = values.fold((0.0, 0.0), |(sum, count), value| (sum + value, count + 1.0));
    if count > 0.0 { sum / count } else { 0.0 }
}

/// How to suggest.
#[derive(Debug, Clone)]
pub struct Trial {
    /// Which joints may be roots.
    pub rule: RootRule,
    /// Twins agree.
    pub twins: bool,
    /// How many questions the truth answers for each skeleton.
    pub questions: usize,
    /// Instead of the expert's own.
    pub temperature: Option<f64>,
}

/// A sample as it is shown, joints shuffled, with what an expert makes of it.
pub struct Prepared {
    pub(super) shown: Sample,
    pub(super) scene: Scene,
    pub(super) looked: Looked,
    pub(super) temperature: f64,
}

/// Looks at each sample.
pub fn prepare(samples: &[Sample], setting: Setting, expert: &Expert) -> Vec<Prepared> {
    samples
        .iter()
        .enumerate()
        .map(|(index, sample)| {
            let shown = shown(sample, setting, index);
            let scene = Scene::new(shown.items.clone());
            let problem = solve::problem(&scene, &RootRule::Any, |_| None);
            let looked = solve::look(&scene, problem, expert, |_| None);
            Prepared { shown, scene, looked, temperature: expert.temperature }
        })
        .collect()
}

/// The same with what a sample's body says, where it has one that is known by the sample's name.
#[must_use]
pub fn with_bodies(mut prepared: Vec<Prepared>, bodies: &BTreeMap<String, Body<'_>>) -> Vec<Prepared> {
    for one in &mut prepared {
        if let Some(body) = bodies.get(&one.shown.name) {
            let outside = way::outside(&one.scene, &one.looked.problem, *body);
            way::weigh(&outside, &mut one.looked.scores);
        }
    }
    prepared
}

/// A sample as the setting shows it, shuffled by the number given.
fn shown(sample: &Sample, setting: Setting, index: usize) -> Sample {
    let mut dice = Dice(0xE7A1 + index as u64);
    let mut order: Vec<usize> = (0..sample.items.len()).collect();
    dice.shuffle(&mut order);
    let shown = setting.show(&sample.permuted(&order), Cut::Natural, &mut dice);
    shown.permuted(&canonical(&shown.items))
}

/// Suggests for each and compares.
pub fn judge(prepared: &[Prepared], trial: &Trial) -> Scores {
    let mut out = Scores::default();
    for one in prepared {
        judge_one(one, trial, &mut out);
    }
    out
}

fn judge_one(prepared: &Prepared, trial: &Trial, out: &mut Scores) {
    let Prepared { shown, scene, looked, .. } = prepared;
    let problem = &looked.problem;
    let temperature = trial.temperature.unwrap_or(prepared.temperature);
    let mut scores = looked.scores.clone();
    if trial.twins {
        solve::tie_twins(scene, problem, &mut scores);
    }
    let solve_again = |scores: &[f64]| {
        let problem =
            solve::Problem { edges: problem.edges.clone(), rows: Vec::new(), of: problem.of.clone() };
        solve::answer(scene, problem, scores, temperature, &trial.rule)
    };
    let Some(mut answer) = solve_again(&scores) else { return };
    let mut asked = vec![false; shown.items.len()];
    let mut answers: BTreeMap<String, String> = BTreeMap::new();
    let begun = scores.clone();
    for _ in 0..trial.questions {
        let open = choices(scene, &answer.problem, &answer.probability);
        let Some(choice) = open.into_iter().find(|choice| !answers.contains_key(&choice.id)) else { break };
        // A truthful person gives the answer that is true of most of these joints, if any is.
        for j in &choice.joints {
            asked[*j] = true;
        }
        let kind = choice.id.trim_end_matches("_hang_from").to_owned();
        let fits = |given: &str| {
            let fits = choice
                .joints
                .iter()
                .filter(|j| conventions::means(scene, &kind, given, shown.truth[**j], **j));
            fits.count()
        };
        // What a person would say: mostly one of the options, else what they are hung from, in the same words.
        let listed = choice.options.iter().map(|option| option.answer.clone());
        let true_ones = choice.joints.iter().map(|j| conventions::label(scene, &kind, shown.truth[*j], *j));
        let mut said: Vec<(usize, String)> =
            listed.chain(true_ones).map(|said| (fits(&said), said)).collect();
        said.sort_by_key(|one| std::cmp::Reverse(one.0));
        let mut best = said.into_iter().next();
        if choice.id == conventions::ROOT {
            // The root that most hangs from.
            let mut size = vec![0; shown.truth.len()];
            for start in 0..size.len() {
                let mut at = start;
                for _ in 0..size.len() {
                    let Some(up) = shown.truth[at] else { break };
                    at = up;
                }
                size[at] += 1;
            }
            let root = (0..size.len()).max_by_key(|j| (size[*j], std::cmp::Reverse(*j)));
            best = root.and_then(|root| {
                asked[root] = true;
                Some((1, shown.items[root].name.clone()?))
            });
        }
        let Some((number, mut said)) = best else { break };
        if choice.id != conventions::ROOT {
            // "It differs" says nothing.
            if 2 * number < choice.joints.len() {
                answers.insert(choice.id.clone(), String::new());
                continue;
            }
            if 5 * number < 4 * choice.joints.len() {
                said.insert_str(0, conventions::MOSTLY);
            }
        }
        answers.insert(choice.id.clone(), said.clone());
        scores.copy_from_slice(&begun);
        let given = answers
            .iter()
            .filter(|(_, said)| !said.is_empty())
            .map(|(a, b)| (a.clone(), b.clone()))
            .collect();
        conventions::apply(scene, problem, &mut scores, &given);
        let Some(next) = solve_again(&scores) else { break };
        answer = next;
    }
    let name = |p: Option<usize>| match p {
        Some(p) => shown.items[p].name.clone().unwrap_or_else(|| p.to_string()),
        None => "-".to_owned(),
    };
    for (j, truth) in shown.truth.iter().enumerate() {
        if shown.items[j].decided != Decided::Open {
            continue;
        }
        let chosen = answer.chosen[j];
        let (from, to) = answer.problem.of[j];
        let mut first: Vec<usize> = (from..to).filter(|k| *k != chosen).collect();
        first.sort_by(|a, b| answer.probability[*b].total_cmp(&answer.probability[*a]));
        let parent = |k: usize| answer.problem.edges[k].from.checked_sub(1);
        let there = (from..to).any(|k| parent(k) == *truth);
        out.judged.push(Judged {
            text: format!(
                "{}: {} <- {} instead of {} p {:.2}{}",
                shown.name,
                name(Some(j)),
                name(parent(chosen)),
                name(*truth),
                answer.probability[chosen],
                if there { "" } else { " (not looked at)" },
            ),
            asked: asked[j],
            fault: fault(scene, &shown.truth, j, parent(chosen), there),
            place: first.iter().position(|k| parent(*k) == *truth),
            probability: answer.probability[chosen],
            ..Judged::new(shown, j, parent(chosen))
        });
    }
}

/// The temperature under which true parents are the least surprising: the mean logarithm of their probabilities. (Letting
/// it depend on how many names are known, on the share of numbered joints, on the number of joints or on the variety of
/// names gained nothing: the trees see all of these.)
pub fn best_temperature(prepared: &[Prepared]) -> f64 {
    let scored: Vec<(&Prepared, Vec<f64>)> = prepared
        .iter()
        .map(|one| {
            let mut scores = one.looked.scores.clone();
            solve::tie_twins(&one.scene, &one.looked.problem, &mut scores);
            (one, scores)
        })
        .collect();
    let worth = |temperature: f64| -> f64 {
        let mut sum = 0.0;
        for (one, scores) in &scored {
            let scaled: Vec<f64> = scores.iter().map(|score| score / temperature).collect();
            let problem = &one.looked.problem;
            let found = solve::probabilities(one.scene.count(), &problem.edges, &scaled, Roots::Any);
            for (edge, p) in problem.edges.iter().zip(&found) {
                let j = edge.to - 1;
                let open = one.shown.items[j].decided == Decided::Open && one.shown.deforming[j];
                if open && edge.from.checked_sub(1) == one.shown.truth[j] {
                    sum += p.max(1e-4).ln();
                }
            }
        }
        sum
    };
    let tried = (16..=30).map(|step| f64::from(step) / 20.0);
    tried.map(|t| (worth(t), t)).max_by(|a, b| a.0.total_cmp(&b.0)).map_or(1.0, |(_, t)| t)
}

/// What is wrong with a wrong parent.
fn fault(
    scene: &Scene,
    truth: &[Option<usize>],
    j: usize,
    chosen: Option<usize>,
    there: bool,
) -> Option<Fault> {
    if chosen == truth[j] {
        return None;
    }
    let inserted = |p: usize| scene.names.readings[p].inserted;
    let leads = |from: usize, to: usize| {
        let mut at = Some(from);
        for _ in 0..=truth.len() {
            match at {
                Some(node) if node == to => return true,
                Some(node) => at = truth[node],
                None => return false,
            }
        }
        false
    };
    Some(match (chosen, truth[j]) {
        (_, Some(t)) if !there => {
            if scene.candidates(j, &Around::new(scene, j)).contains(&t) {
                Fault::Dropped
            } else {
                Fault::NoCandidate
            }
        }
        (None, _) => Fault::MadeRoot,
        (_, None) => Fault::RootGotParent,
        (Some(p), _) if inserted(p) => Fault::OnInserted,
        (_, Some(t)) if inserted(t) => Fault::MissedInserted,
        (Some(p), Some(t)) if scene.layout.same(p, t) => Fault::ParentsCoincide,
        (_, Some(t)) if scene.layout.same(j, t) => Fault::TrueCoincides,
        (Some(p), _) if truth[p] == Some(j) => Fault::Reversed,
        (Some(p), Some(t)) if truth[p] == Some(t) => Fault::Sibling,
        (Some(p), Some(t)) if leads(t, p) => Fault::Ancestor,
        (Some(p), Some(t)) if leads(p, t) => Fault::TooDeep,
        _ => Fault::Elsewhere,
    })
}

/// Ways to be wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Fault {
    Sibling,
    Elsewhere,
    Ancestor,
    Reversed,
    ParentsCoincide,
    TrueCoincides,
    TooDeep,
    NoCandidate,
    Dropped,
    RootGotParent,
    MadeRoot,
    OnInserted,
    MissedInserted,
}

impl Fault {
    fn words(self) -> &'static str {
        match self {
            Self::Sibling => "a sibling instead of the parent",
            Self::Elsewhere => "elsewhere",
            Self::Ancestor => "an ancestor of the parent",
            Self::Reversed => "parent and child reversed",
            Self::ParentsCoincide => "a parent at the true one's place",
            Self::TrueCoincides => "the true parent lies at the joint's place",
            Self::TooDeep => "too deep below the parent",
            Self::NoCandidate => "the parent was no candidate",
            Self::Dropped => "the parent was dropped at the first look",
            Self::RootGotParent => "a root got a parent",
            Self::MadeRoot => "made a root",
            Self::OnInserted => "hung on the exporter's root",
            Self::MissedInserted => "missed the exporter's root",
        }
    }
}

/// A rule that fits on one line, for comparison.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Baseline {
    /// The Euclidean spanning tree, from the true roots.
    SpanningTree,
    /// The best tree by the distance from a joint to the segments of the others, with the true roots.
    NearestSegment,
}

/// What the rule gets right, on the same joints.
pub fn baseline(samples: &[Sample], setting: Setting, rule: Baseline) -> Scores {
    let mut out = Scores::default();
    for (index, sample) in samples.iter().enumerate() {
        let shown = shown(sample, setting, index);
        let scene = Scene::new(shown.items.clone());
        let mut edges = Vec::new();
        let count = shown.items.len();
        for j in 0..count {
            match (shown.items[j].decided, shown.truth[j]) {
                (_, None) | (Decided::Root, _) => edges.push(Edge { from: 0, to: j + 1, score: 0.0 }),
                (Decided::Under(p), _) => edges.push(Edge { from: p + 1, to: j + 1, score: 0.0 }),
                (Decided::Open, Some(_)) => edges.extend((0..count).filter(|p| *p != j).map(|p| {
                    let d = match rule {
                        Baseline::SpanningTree => scene.layout.apart(p, j),
                        Baseline::NearestSegment => scene.to_segment(p, j).0,
                    };
                    Edge { from: p + 1, to: j + 1, score: -d / scene.layout.size }
                })),
            }
        }
        let Some(tree) = best_tree(count + 1, &edges) else { continue };
        for edge in tree.into_iter().map(|index| edges[index]) {
            let j = edge.to - 1;
            if shown.items[j].decided == Decided::Open {
                out.judged.push(Judged::new(&shown, j, edge.from.checked_sub(1)));
            }
        }
    }
    out
}

/// Makers in `folds` groups of about equal numbers of joints.
pub(super) fn grouped(samples: &[Sample], folds: usize) -> Vec<usize> {
    let mut sizes: BTreeMap<&str, usize> = BTreeMap::new();
    for sample in samples {
        *sizes.entry(&sample.maker).or_default() += sample.items.len();
    }
    let mut makers: Vec<(&str, usize)> = sizes.into_iter().collect();
    makers.sort_by(|a, b| b.1.cmp(&a.1).then(a.0.cmp(b.0)));
    let mut filled = vec![0; folds.max(1)];
    let mut fold_of = BTreeMap::new();
    for (maker, size) in makers {
        let fold = (0..filled.len()).min_by_key(|fold| filled[*fold]).unwrap_or(0);
        filled[fold] += size;
        fold_of.insert(maker, fold);
    }
    samples.iter().map(|sample| fold_of.get(sample.maker.as_str()).copied().unwrap_or(0)).collect()
}

/// For each fold the samples to fit on and those to judge.
pub fn folds(samples: &[Sample], folds: usize) -> Vec<(Vec<Sample>, Vec<Sample>)> {
    let fold_of = grouped(samples, folds);
    (0..folds)
        .map(|fold| {
            let pick = |inside: bool| -> Vec<Sample> {
                let chosen = samples.iter().zip(&fold_of).filter(|(_, f)| (**f == fold) == inside);
                chosen.map(|(sample, _)| sample.clone()).collect()
            };
            (pick(false), pick(true))
        })
        .collect()
}
