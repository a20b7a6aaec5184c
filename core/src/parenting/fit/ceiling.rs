//! How far a joint's kind and the kinds around it decide at all: one choice, made by different makers.

use std::collections::BTreeMap;

use super::super::lexicon::Category;
use super::super::scene::Scene;
use super::super::skeleton::canonical;
use super::{Sample, evaluate::mean};

/// So many other makers must have met a situation before it says anything.
const FEWEST: usize = 3;
/// So many of the expected kinds of parent that are there make a situation.
const EXPECTED: usize = 4;

/// What a joint is and what might carry it: its kind, whether another one of its row comes before it, whether one of
/// the same words is there, and the first of the expected kinds that are there with a fitting side.
type Situation = (Category, bool, bool, Vec<usize>);

/// What a maker hung such a joint from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Choice {
    Root,
    /// The one before it in its row.
    Before,
    /// A joint of this kind.
    Kind(Category),
}

/// A joint in its situation.
struct Seen {
    maker: usize,
    sample: usize,
    situation: Situation,
    choice: Choice,
}

/// What the makers agree on.
#[derive(Debug, Clone, Default)]
pub struct Agreement {
    /// Deforming joints whose kind the names tell.
    pub known: usize,
    /// Those of them whose situation at least three other makers have met, too.
    pub met: usize,
    /// The share of these that hang as most of the other makers would hang them; a draw counts in part.
    pub as_others: f64,
    /// Of the joints that were met, those with another one in the same situation in the same skeleton.
    pub with_kin: usize,
    /// The share of these that hang as most of the other makers would hang them.
    pub kin_as_others: f64,
    /// The share of these that hang as most of the others in their own skeleton.
    pub kin_as_own: f64,
    /// The kinds with most joints that hang otherwise than most other makers would hang them: the kind, such joints, and
    /// all joints of it that were met.
    pub split: Vec<(String, usize, usize)>,
}

/// The share of a true choice among the most frequent ones.
fn agrees(votes: &BTreeMap<Choice, usize>, truth: Choice) -> f64 {
    let most = votes.values().copied().max().unwrap_or(0);
    let first = votes.values().filter(|count| **count == most).count();
    if votes.get(&truth) == Some(&most) { 1.0 / first as f64 } else { 0.0 }
}

/// Compares each joint with the same choice of other makers, and of its own.
pub fn agreement(samples: &[Sample]) -> Agreement {
    let seen = all_seen(samples);
    let mut by: BTreeMap<&Situation, Vec<&Seen>> = BTreeMap::new();
    for one in &seen {
        by.entry(&one.situation).or_default().push(one);
    }
    let mut out = Agreement { known: seen.len(), ..Agreement::default() };
    let (mut others, mut kin_others, mut kin_own) = (Vec::new(), Vec::new(), Vec::new());
    let mut kinds: BTreeMap<Category, (usize, usize)> = BTreeMap::new();
    for (situation, list) in &by {
        // One vote for each maker, whatever the number of joints.
        let mut habits: BTreeMap<usize, BTreeMap<Choice, usize>> = BTreeMap::new();
        for one in list {
            *habits.entry(one.maker).or_default().entry(one.choice).or_default() += 1;
        }
        if habits.len() <= FEWEST {
            continue;
        }
        let habit = |votes: &BTreeMap<Choice, usize>| {
            let most = votes.iter().max_by(|a, b| a.1.cmp(b.1).then(b.0.cmp(a.0)));
            most.map(|(choice, _)| *choice)
        };
        for one in list {
            let mut votes: BTreeMap<Choice, usize> = BTreeMap::new();
            for (_, maker) in habits.iter().filter(|(maker, _)| **maker != one.maker) {
                if let Some(choice) = habit(maker) {
                    *votes.entry(choice).or_default() += 1;
                }
            }
            let right = agrees(&votes, one.choice);
            others.push(right);
            let slot = kinds.entry(situation.0).or_default();
            slot.0 += usize::from(right < 0.5);
            slot.1 += 1;
            let mut own: BTreeMap<Choice, usize> = BTreeMap::new();
            for other in list.iter().filter(|other| other.sample == one.sample) {
                *own.entry(other.choice).or_default() += 1;
            }
            // Without its own voice.
            if let Some(count) = own.get_mut(&one.choice) {
                *count -= 1;
            }
            own.retain(|_, count| *count > 0);
            if !own.is_empty() {
                kin_others.push(right);
                kin_own.push(agrees(&own, one.choice));
            }
        }
    }
    out.met = others.len();
    out.as_others = mean(others.into_iter());
    out.with_kin = kin_own.len();
    out.kin_as_others = mean(kin_others.into_iter());
    out.kin_as_own = mean(kin_own.into_iter());
    out.split =
        kinds.into_iter().map(|(kind, (n, all))| (format!("{kind:?}").to_lowercase(), n, all)).collect();
    out.split.sort_by(|a, b| b.1.cmp(&a.1).then_with(|| a.0.cmp(&b.0)));
    out
}

fn all_seen(samples: &[Sample]) -> Vec<Seen> {
    let mut makers: Vec<&str> = samples.iter().map(|sample| sample.maker.as_str()).collect();
    makers.sort_unstable();
    makers.dedup();
    let mut out = Vec::new();
    for (number, sample) in samples.iter().enumerate() {
        let sample = sample.permuted(&canonical(&sample.items));
        let Ok(maker) = makers.binary_search(&sample.maker.as_str()) else { continue };
        let scene = Scene::new(sample.items.clone());
        let same_words = |j: usize| scene.stem_size[scene.names.readings[j].stem as usize] > 1;
        for (j, parent) in sample.truth.iter().enumerate() {
            if !sample.deforming[j] || scene.category[j] == Category::Unknown {
                continue;
            }
            let expected = scene.levels[j].iter().take(EXPECTED).map(|(level, _)| *level).collect();
            let choice = match *parent {
                None => Choice::Root,
                Some(p) if scene.step(p, j).is_some_and(|step| step.places == 1) => Choice::Before,
                Some(p) => Choice::Kind(scene.category[p]),
            };
            let situation = (scene.category[j], scene.follows[j], same_words(j), expected);
            out.push(Seen { maker, sample: number, situation, choice });
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_draw_counts_in_part() {
        let root = Choice::Root;
        assert_eq!(agrees(&BTreeMap::from([(root, 2), (Choice::Before, 1)]), root), 1.0);
        assert_eq!(agrees(&BTreeMap::from([(root, 2), (Choice::Before, 2)]), root), 0.5);
        assert_eq!(agrees(&BTreeMap::from([(root, 1), (Choice::Before, 2)]), root), 0.0);
        assert_eq!(agrees(&BTreeMap::new(), root), 0.0);
    }
}
