//! How good a model is: by joints and by makers, deforming joints apart, and how honest its probabilities are.

use std::collections::BTreeMap;

use super::super::conventions::{self, choices};
use super::super::lexicon::Category;
use super::super::names;
use super::super::skeleton::canonical;
use super::super::solve::{self, RootRule};
use super::boost::Dice;
use super::{Decided, Expert, Recipe, Sample, Scene, augment, fit};
use crate::model::{PartKind, Side};

/// What the suggester is shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Setting {
    /// Positions.
    Bare,
    /// Positions and names.
    Named,
    /// Chains with tips, kinds and sides; the first joint of each chain is undecided.
    Plan,
}

impl Setting {
    /// Its name, also the expert's.
    pub fn name(self) -> &'static str {
        match self {
            Self::Bare => "bare",
            Self::Named => "named",
            Self::Plan => "plan",
        }
    }

    /// The sample as this setting shows it.
    pub(super) fn show(self, sample: &Sample, dice: &mut Dice) -> Sample {
        let mut out = sample.clone();
        match self {
            Self::Bare => {
                for item in &mut out.items {
                    item.name = None;
                }
            }
            Self::Named => {
                if sample.name.ends_with("(copy 3)") {
                    augment::decide(&mut out, dice, 0.5);
                }
            }
            Self::Plan => chains(&mut out),
        }
        out
    }
}

/// Cuts a skeleton into the parts a person would declare.
fn chains(sample: &mut Sample) {
    let read = names::read(&sample.items.iter().map(|item| item.name.as_deref()).collect::<Vec<_>>());
    let count = sample.items.len();
    let mut lists: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    let depth = |j: usize| {
        let (mut at, mut steps) = (sample.truth[j], 0);
        while let Some(p) = at
            && steps < count
        {
            steps += 1;
            at = sample.truth[p];
        }
        steps
    };
    let mut order: Vec<usize> = (0..count).collect();
    order.sort_by_key(|j| depth(*j));
    for j in order {
        lists.entry(sample.chain[j]).or_default().push(j);
    }
    let mut number = 0;
    for list in lists.values() {
        // A joint whose parent is not the one before it in its chain starts a part of its own.
        let mut runs: Vec<Vec<usize>> = Vec::new();
        for j in list {
            match runs.iter_mut().find(|run| run.last().copied() == sample.truth[*j]) {
                Some(run) if sample.truth[*j].is_some() => run.push(*j),
                _ => runs.push(vec![*j]),
            }
        }
        for run in runs {
            let kind = run.iter().find_map(|j| kind_of(read.readings[*j].category?));
            let side = run.iter().find_map(|j| read.readings[*j].side);
            for (place, j) in run.iter().enumerate() {
                let item = &mut sample.items[*j];
                item.part = Some((number, place));
                item.kind = kind;
                item.side = match side {
                    Some(1) => Some(Side::Left),
                    Some(-1) => Some(Side::Right),
                    _ => None,
                };
                if place > 0 {
                    item.decided = Decided::Under(run[place - 1]);
                }
            }
            for pair in run.windows(2) {
                sample.items[pair[0]].tip = Some(sample.items[pair[1]].at);
            }
            number += 1;
        }
    }
}

fn kind_of(category: Category) -> Option<PartKind> {
    use Category as C;
    Some(match category {
        C::Root | C::Body | C::Pelvis | C::Spine | C::Chest => PartKind::Spine,
        C::Neck => PartKind::Neck,
        C::Head | C::Skull => PartKind::Head,
        C::Jaw | C::Mouth | C::Tongue => PartKind::Jaw,
        C::Eye | C::Lid | C::Brow => PartKind::Eye,
        C::Ear => PartKind::Ear,
        C::Clavicle | C::Shoulder | C::UpperArm | C::Arm | C::Elbow | C::Forearm | C::Wrist | C::Hand => {
            PartKind::Arm
        }
        C::Palm | C::Thumb | C::Index | C::Middle | C::Ring | C::Little | C::Finger | C::Toe => {
            PartKind::Digit
        }
        C::Hip | C::Thigh | C::Leg | C::Knee | C::Shin | C::Ankle | C::Heel | C::Foot | C::Ball => {
            PartKind::Leg
        }
        C::Coxa | C::Femur | C::Tibia | C::Tarsus => PartKind::Leg,
        C::Tail => PartKind::Tail,
        C::Wing | C::Feather => PartKind::Wing,
        C::Fin => PartKind::Fin,
        C::Feeler | C::Tentacle => PartKind::Feeler,
        _ => return None,
    })
}

/// One judged joint.
#[derive(Debug, Clone)]
#[expect(clippy::struct_excessive_bools, reason = "independent facts about one joint")]
struct Judged {
    maker: String,
    kind: String,
    text: String,
    asked: bool,
    sample: String,
    deforming: bool,
    right: bool,
    among_two: bool,
    probability: f64,
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
        mean(self.of(deforming).map(|one| f64::from(u8::from(one.among_two))))
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

    /// Mean logarithm of the probability of what was chosen being right or wrong: lower is worse.
    pub fn honesty(&self) -> f64 {
        mean(self.judged.iter().map(|one| {
            let p = one.probability.clamp(1e-6, 1.0 - 1e-6);
            if one.right { p.ln() } else { (1.0 - p).ln() }
        }))
    }
}

fn mean(values: impl Iterator<Item = f64>) -> f64 {
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
}

/// Suggests for each sample, joints shuffled, and compares.
pub fn evaluate(samples: &[Sample], setting: Setting, expert: &Expert, trial: &Trial) -> Scores {
    let mut out = Scores::default();
    for (index, sample) in samples.iter().enumerate() {
        let mut dice = Dice(0xE7A1 + index as u64);
        let mut order: Vec<usize> = (0..sample.items.len()).collect();
        dice.shuffle(&mut order);
        let shown = setting.show(&sample.permuted(&order), &mut dice);
        let shown = shown.permuted(&canonical(&shown.items));
        judge(&shown, expert, trial, &mut out);
    }
    out
}

fn judge(shown: &Sample, expert: &Expert, trial: &Trial, out: &mut Scores) {
    let scene = Scene::new(shown.items.clone());
    let problem = solve::problem(&scene, &trial.rule, |_| None);
    let mut scores = solve::scores(&scene, &problem, expert, None);
    if trial.twins {
        solve::tie_twins(&scene, &problem, &mut scores);
    }
    let solve_again = |scores: &[f64]| {
        let problem =
            solve::Problem { edges: problem.edges.clone(), rows: Vec::new(), of: problem.of.clone() };
        solve::answer(&scene, problem, scores, expert.temperature, &trial.rule)
    };
    let Some(mut answer) = solve_again(&scores) else { return };
    let mut answers: BTreeMap<String, String> = BTreeMap::new();
    let mut asked = vec![false; shown.items.len()];
    for _ in 0..trial.questions {
        let open = choices(&scene, &answer.problem, &answer.probability);
        let Some(choice) = open.into_iter().find(|choice| !answers.contains_key(&choice.id)) else { break };
        // A truthful person says what most of these joints hang from.
        let mut votes: BTreeMap<String, usize> = BTreeMap::new();
        for j in &choice.joints {
            asked[*j] = true;
            *votes.entry(conventions::answer(&scene, shown.truth[*j], *j)).or_default() += 1;
        }
        let most = votes.into_iter().max_by(|a, b| a.1.cmp(&b.1).then(b.0.cmp(&a.0)));
        let Some((said, _)) = most else { break };
        let given = BTreeMap::from([(choice.id.clone(), said.clone())]);
        conventions::apply(&scene, &problem, &mut scores, &given);
        answers.insert(choice.id, said);
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
        let right = parent(chosen) == *truth;
        let second = first.first().is_some_and(|k| parent(*k) == *truth);
        let there = (from..to).any(|k| parent(k) == *truth);
        out.judged.push(Judged {
            maker: shown.maker.clone(),
            kind: shown.kind.clone(),
            text: format!(
                "{}: {} <- {} instead of {} p {:.2}{}",
                shown.name,
                name(Some(j)),
                name(parent(chosen)),
                name(*truth),
                answer.probability[chosen],
                if there { "" } else { " (no candidate)" }
            ),
            asked: asked[j],
            sample: shown.name.clone(),
            deforming: shown.deforming[j],
            right,
            among_two: right || second,
            probability: answer.probability[chosen],
        });
    }
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

/// An expert for each fold, fitted on the other folds, with the fold's samples.
pub fn cross_validate(samples: &[Sample], recipe: &Recipe, folds: usize) -> Vec<(Expert, Vec<Sample>)> {
    let fold_of = grouped(samples, folds);
    (0..folds)
        .map(|fold| {
            let pick = |inside: bool| -> Vec<Sample> {
                let chosen = samples.iter().zip(&fold_of).filter(|(_, f)| (**f == fold) == inside);
                chosen.map(|(sample, _)| sample.clone()).collect()
            };
            (fit(&pick(false), recipe), pick(true))
        })
        .collect()
}
