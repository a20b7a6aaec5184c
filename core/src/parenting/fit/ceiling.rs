//! What bounds a suggester: how far a joint's kind and the kinds around it decide at all (one choice, made by different
//! makers), and how far questions could carry if they were chosen with the answers in sight.

use std::collections::{BTreeMap, BTreeSet};

use super::super::conventions::{kinds, label, means, words};
use super::super::lexicon::Category;
use super::super::scene::Scene;
use super::super::skeleton::{Decided, canonical};
use super::super::solve::{self, Problem, RootRule};
use super::Sample;
use super::evaluate::{Prepared, mean};

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

/// What questions could put right, per share of the deforming joints.
#[derive(Debug, Clone, Copy, Default)]
pub struct Reach {
    /// Right without a question.
    pub unasked: f64,
    /// With so many questions, chosen and answered with the truth in sight, each answer followed by every joint it is true of
    /// and by no other.
    pub asked: f64,
    /// The same with a question about every kind there is.
    pub all_asked: f64,
}

/// The most that so many questions about kinds of at least two joints can put right: they are chosen with the truth in sight,
/// so no way of choosing or of weighing them puts right more of the joints that they are about.
pub fn reach(prepared: &[Prepared], questions: usize) -> Reach {
    let (mut joints, mut right, mut asked, mut all_asked) = (0_usize, 0_usize, 0_usize, 0_usize);
    for one in prepared {
        let Prepared { shown, scene, looked, temperature } = one;
        let mut scores = looked.scores.clone();
        solve::tie_twins(scene, &looked.problem, &mut scores);
        let problem =
            Problem { edges: looked.problem.edges.clone(), rows: Vec::new(), of: looked.problem.of.clone() };
        let Some(answer) = solve::answer(scene, problem, &scores, *temperature, &RootRule::Any) else {
            continue;
        };
        let open: Vec<usize> =
            (0..shown.items.len()).filter(|j| shown.items[*j].decided == Decided::Open).collect();
        let wrong = |j: usize| {
            answer.problem.edges[answer.chosen[j]].from.checked_sub(1) != shown.truth[j] && shown.deforming[j]
        };
        let number = open.iter().filter(|j| shown.deforming[**j]).count();
        joints += number;
        right += number - open.iter().filter(|j| wrong(**j)).count();
        let mut groups: BTreeMap<String, Vec<usize>> = BTreeMap::new();
        for j in &open {
            for kind in kinds(scene, *j).into_keys() {
                groups.entry(kind).or_default().push(*j);
            }
        }
        let amiss: Vec<usize> = open.iter().copied().filter(|j| wrong(*j)).collect();
        // Per kind and answer: the wrong joints that it is true of.
        let mut sets: BTreeSet<Vec<bool>> = BTreeSet::new();
        for (kind, list) in groups.iter().filter(|(_, list)| list.len() > 1) {
            let of_kind = |j: usize| list.binary_search(&j).is_ok();
            let mut answers: BTreeSet<String> = BTreeSet::new();
            for j in amiss.iter().copied().filter(|j| of_kind(*j)) {
                answers.insert(label(scene, kind, shown.truth[j], j));
                if let Some(p) = shown.truth[j] {
                    answers.insert(words(scene, p));
                    answers.extend(shown.items[p].name.clone());
                }
            }
            for given in answers {
                let meant = |j: &usize| of_kind(*j) && means(scene, kind, &given, shown.truth[*j], *j);
                sets.insert(amiss.iter().map(meant).collect());
            }
        }
        let sets = maximal(sets);
        asked += most(&sets, questions, &vec![false; amiss.len()]);
        all_asked += most(&sets, usize::MAX, &vec![false; amiss.len()]);
    }
    let share = |count: usize| (right + count) as f64 / joints.max(1) as f64;
    Reach { unasked: share(0), asked: share(asked), all_asked: share(all_asked) }
}

/// The sets that lie in no other.
fn maximal(sets: BTreeSet<Vec<bool>>) -> Vec<Vec<bool>> {
    let inside = |a: &[bool], b: &[bool]| a != b && a.iter().zip(b).all(|(a, b)| !a || *b);
    let mut out: Vec<Vec<bool>> =
        sets.iter().filter(|set| !sets.iter().any(|other| inside(set, other))).cloned().collect();
    out.sort_by_key(|set| std::cmp::Reverse(size(set)));
    out
}

fn size(set: &[bool]) -> usize {
    set.iter().filter(|there| **there).count()
}

/// The most that so many of the sets (largest first) hold together with what is there: exactly, not greedily.
fn most(sets: &[Vec<bool>], number: usize, there: &[bool]) -> usize {
    let join = |set: &[bool]| -> Vec<bool> { set.iter().zip(there).map(|(a, b)| *a || *b).collect() };
    if number >= sets.len() {
        return size(
            &sets
                .iter()
                .fold(there.to_vec(), |all, set| all.iter().zip(set).map(|(a, b)| *a || *b).collect()),
        );
    }
    let mut best = size(there);
    if number == 0 {
        return best;
    }
    for (place, set) in sets.iter().enumerate() {
        // No later one is larger.
        if size(there) + number * size(set) <= best {
            break;
        }
        best = best.max(most(&sets[place + 1..], number - 1, &join(set)));
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_best_pair_is_found_where_the_greedy_one_is_not() {
        // {1..4}, {1, 2, 5, 6} and {3, 4, 7, 8}: the last two hold eight; greedily from the first, six.
        let set = |list: &[usize]| (1..=8).map(|k| list.contains(&k)).collect::<Vec<bool>>();
        let sets: BTreeSet<Vec<bool>> =
            [set(&[1, 2, 3, 4]), set(&[1, 2, 5, 6]), set(&[3, 4, 7, 8]), set(&[7])].into();
        let sets = maximal(sets);
        assert_eq!(sets.len(), 3);
        assert_eq!([0, 1, 2, 9].map(|number| most(&sets, number, &[false; 8])), [0, 4, 8, 8]);
    }

    #[test]
    fn a_draw_counts_in_part() {
        let root = Choice::Root;
        assert_eq!(agrees(&BTreeMap::from([(root, 2), (Choice::Before, 1)]), root), 1.0);
        assert_eq!(agrees(&BTreeMap::from([(root, 2), (Choice::Before, 2)]), root), 0.5);
        assert_eq!(agrees(&BTreeMap::from([(root, 1), (Choice::Before, 2)]), root), 0.0);
        assert_eq!(agrees(&BTreeMap::new(), root), 0.0);
    }
}
