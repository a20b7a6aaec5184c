//! Siblings of one kind hang from one joint: digits from a hand, legs from a body.
//!
//! Where most joints of a kind are likely to hang from one joint, the others of it are drawn there, and away from each
//! other. A kind is names that differ in one word alone, with the same numbers, side and row: numbered joints of a chain
//! differ in their number and are none.

use std::cmp::Reverse;
use std::collections::BTreeMap;

use super::marginals::Roots;
use super::scene::Scene;
use super::solve::{Problem, probabilities};

/// So many joints make a kind.
const FEWEST: usize = 4;
/// Names of more words are no names of kinds, and each word costs a key.
const MOST_WORDS: usize = 8;
/// This share of the others agrees.
const MOST: f64 = 0.75;
/// What is added to an edge that the others have, and taken from one to another joint of the kind.
const DRAW: f64 = 1.0;

/// Changes the scores of a look.
pub(super) fn agree(scene: &Scene, problem: &Problem, scores: &mut [f64]) {
    let kinds = kinds(scene);
    if kinds.is_empty() {
        return;
    }
    let probability = probabilities(scene.count(), &problem.edges, scores, Roots::Any);
    let best = |j: usize| {
        let (from, to) = problem.of[j];
        (from..to).max_by(|a, b| probability[*a].total_cmp(&probability[*b])).map(|at| problem.edges[at].from)
    };
    // Each joint is drawn once, by the kind that agrees most.
    let mut drawn: BTreeMap<usize, (f64, usize, &[usize])> = BTreeMap::new();
    for members in &kinds {
        let parents: Vec<Option<usize>> = members.iter().map(|j| best(*j)).collect();
        // Counted once for the whole kind: kinds can be as large as the skeleton.
        let mut votes: BTreeMap<usize, usize> = BTreeMap::new();
        // A parent within the kind says that it is a chain; none at all says nothing.
        let votable = |parent: &usize| *parent > 0 && members.binary_search(&(parent - 1)).is_err();
        for parent in parents.iter().copied().flatten().filter(votable) {
            *votes.entry(parent).or_default() += 1;
        }
        let mut votes: Vec<(usize, usize)> =
            votes.into_iter().map(|(parent, count)| (count, parent)).collect();
        votes.sort_by_key(|(count, parent)| (Reverse(*count), *parent));
        votes.truncate(2);
        for (own, j) in parents.iter().zip(members) {
            // Without its own voice.
            let others =
                votes.iter().map(|(count, parent)| (count - usize::from(*own == Some(*parent)), *parent));
            let Some((count, parent)) = others.max_by_key(|(count, parent)| (*count, Reverse(*parent)))
            else {
                continue;
            };
            let share = count as f64 / (members.len() - 1) as f64;
            if share >= MOST && drawn.get(j).is_none_or(|known| known.0 < share) {
                drawn.insert(*j, (share, parent, members));
            }
        }
    }
    for (j, (_, parent, members)) in drawn {
        let (from, to) = problem.of[j];
        for (edge, score) in problem.edges[from..to].iter().zip(&mut scores[from..to]) {
            if edge.from == parent {
                *score += DRAW;
            } else if edge.from > 0 && members.binary_search(&(edge.from - 1)).is_ok() {
                *score -= DRAW;
            }
        }
    }
}

/// Joints by what is left of their names without one word.
fn kinds(scene: &Scene) -> Vec<Vec<usize>> {
    let mut found: BTreeMap<(Vec<u32>, &[u32], Option<i8>, u8), Vec<usize>> = BTreeMap::new();
    for (j, reading) in scene.names.readings.iter().enumerate() {
        if reading.words.len() > MOST_WORDS {
            continue;
        }
        for left_out in 0..reading.words.len() {
            let mut words = reading.words.clone();
            words.remove(left_out);
            if words.is_empty() {
                continue;
            }
            words.sort_unstable();
            let members = found.entry((words, &reading.numbers, reading.side, reading.row)).or_default();
            if members.last() != Some(&j) {
                members.push(j);
            }
        }
    }
    found.into_values().filter(|members| members.len() >= FEWEST).collect()
}
