//! From a skeleton to the best tree and the probability of every edge.

use super::arborescence::{Edge, best_tree};
use super::batch;
use super::features::{Around, Row, row};
use super::marginals::{Roots, marginals};
use super::model::{Ensemble, Expert};
use super::scene::Scene;
use super::second;
use super::siblings;
use super::skeleton::Decided;

/// Edges of a skeleton (node 0 is "no parent", node j + 1 is joint j) with the rows that describe them.
#[derive(Debug, Default)]
pub(super) struct Problem {
    pub(super) edges: Vec<Edge>,
    pub(super) rows: Vec<Row>,
    /// Per joint: where its edges begin and end.
    pub(super) of: Vec<(usize, usize)>,
}

/// Which joints may be roots.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum RootRule {
    /// Any open joint, any number of them.
    Any,
    /// Exactly one root in all.
    One,
    /// Only those that are decided.
    Decided,
}

/// The edges worth looking at; `also` names a parent that must be among a joint's edges.
pub(super) fn problem(scene: &Scene, roots: &RootRule, also: impl Fn(usize) -> Option<usize>) -> Problem {
    let count = scene.count();
    let mut out = Problem::default();
    for j in 0..count {
        let begun = out.edges.len();
        let around = Around::new(scene, j);
        let mut put = |p: Option<usize>| {
            out.edges.push(Edge { from: p.map_or(0, |p| p + 1), to: j + 1, score: 0.0 });
            out.rows.push(row(scene, &around, p, j));
        };
        match scene.items[j].decided {
            Decided::Root => put(None),
            Decided::Under(p) => put(Some(p)),
            Decided::Open => {
                if *roots != RootRule::Decided {
                    put(None);
                }
                let mut candidates = scene.candidates(j, &around);
                if let Some(p) = also(j)
                    && !candidates.contains(&p)
                {
                    candidates.push(p);
                    candidates.sort_unstable();
                }
                for p in candidates {
                    if !hangs_below(scene, p, j) {
                        put(Some(p));
                    }
                }
            }
        }
        out.of.push((begun, out.edges.len()));
    }
    out
}

/// Whether decided parents lead from p up to j.
fn hangs_below(scene: &Scene, p: usize, j: usize) -> bool {
    let mut at = p;
    for _ in 0..scene.count() {
        if at == j {
            return true;
        }
        match scene.items[at].decided {
            Decided::Under(up) => at = up,
            _ => return false,
        }
    }
    false
}

/// The answer.
#[derive(Debug)]
pub(super) struct Answer {
    pub(super) problem: Problem,
    /// Per joint: its chosen edge.
    pub(super) chosen: Vec<usize>,
    /// Per edge.
    pub(super) probability: Vec<f64>,
}

/// Edges this improbable at the first look are not looked at twice, unless they are among a joint's best.
const FAINT: f64 = 0.002;
/// How many of each joint's best edges are always looked at twice.
const BEST: usize = 5;

/// What an expert makes of a problem.
#[derive(Debug, Default)]
pub(super) struct Looked {
    /// The edges that are left, with their first rows.
    pub(super) problem: Problem,
    /// Their second rows; none where the expert looks once.
    pub(super) rows: Vec<Vec<f32>>,
    /// Their scores, before the temperature.
    pub(super) scores: Vec<f64>,
}

/// Scores the edges; those that are plainly wrong at the first look are dropped.
///
/// `there` is what kin vote with where parents are known: per joint its parent. Such an edge is never dropped.
pub(super) fn look(
    scene: &Scene,
    problem: Problem,
    expert: &Expert,
    there: impl Fn(usize) -> Option<Option<usize>>,
) -> Looked {
    let first: Vec<f64> = first_scores(&problem, &expert.first);
    let Some(ensemble) = &expert.second else {
        return Looked { problem, rows: Vec::new(), scores: first };
    };
    let probability = probabilities(scene.count(), &problem.edges, &first, Roots::Any);
    let (problem, probability) = without_faint(problem, &probability, &there);
    let rows = second::rows(scene, &problem, &probability, &context(&problem, &probability, there));
    let mut scores = batch::scores(ensemble, &rows, |at| problem.edges[at].from == 0);
    siblings::agree(scene, &problem, &mut scores);
    Looked { problem, rows, scores }
}

/// The first look alone.
pub(super) fn first_scores(problem: &Problem, ensemble: &Ensemble) -> Vec<f64> {
    batch::scores(ensemble, &problem.rows, |at| problem.edges[at].from == 0)
}

/// What kin vote with: parents that are known, else the first answer.
pub(super) fn context(
    problem: &Problem,
    probability: &[f64],
    there: impl Fn(usize) -> Option<Option<usize>>,
) -> Vec<f64> {
    let said = problem.edges.iter().zip(probability).map(|(edge, p)| match there(edge.to - 1) {
        Some(parent) => f64::from(u8::from(parent.map_or(0, |p| p + 1) == edge.from)),
        None => *p,
    });
    said.collect()
}

/// A problem without its faint edges, and the probabilities of those that are left.
pub(super) fn without_faint(
    problem: Problem,
    probability: &[f64],
    there: impl Fn(usize) -> Option<Option<usize>>,
) -> (Problem, Vec<f64>) {
    let mut out = Problem::default();
    let mut left = Vec::new();
    let mut rows = problem.rows.into_iter();
    for (j, (from, to)) in problem.of.iter().enumerate() {
        let begun = out.edges.len();
        let mut best: Vec<f64> = probability[*from..*to].to_vec();
        best.sort_by(|a, b| b.total_cmp(a));
        let least = best.get(BEST - 1).copied().unwrap_or(0.0).min(FAINT);
        let known = there(j).map(|parent| parent.map_or(0, |p| p + 1));
        for (edge, p) in
            problem.edges[*from..*to].iter().copied().zip(probability[*from..*to].iter().copied())
        {
            let Some(row) = rows.next() else { break };
            if edge.from == 0 || p >= least || known == Some(edge.from) {
                out.edges.push(edge);
                out.rows.push(row);
                left.push(p);
            }
        }
        out.of.push((begun, out.edges.len()));
    }
    (out, left)
}

/// Marginals for these scores; where there is no tree, each joint's own shares.
///
/// Joints with one edge only are merged with their parent first: what is left is as large as the number of open joints.
pub(super) fn probabilities(count: usize, edges: &[Edge], scores: &[f64], roots: Roots) -> Vec<f64> {
    let mut number = vec![0_usize; count + 1];
    let mut only = vec![0_usize; count + 1];
    for edge in edges {
        number[edge.to] += 1;
        only[edge.to] = edge.from;
    }
    let mut small = vec![usize::MAX; count + 1];
    small[0] = 0;
    let mut open = 0;
    for node in 1..=count {
        if number[node] != 1 {
            open += 1;
            small[node] = open;
        }
    }
    for node in 1..=count {
        let mut path = Vec::new();
        let mut at = node;
        while small[at] == usize::MAX && path.len() <= count {
            path.push(at);
            at = only[at];
        }
        let top = if small[at] == usize::MAX { 0 } else { small[at] };
        for member in path {
            small[member] = top;
        }
    }
    let scored: Vec<Edge> = edges
        .iter()
        .zip(scores)
        .map(|(edge, score)| {
            if number[edge.to] == 1 {
                // Outside the problem: a node that no tree of it has.
                Edge { from: 0, to: 0, score: f64::NEG_INFINITY }
            } else {
                Edge { from: small[edge.from], to: small[edge.to], score: *score }
            }
        })
        .collect();
    let exact = marginals(open + 1, &scored, roots).or_else(|| marginals(open + 1, &scored, Roots::Any));
    let mut out = match exact {
        Some((list, _)) => list,
        None => scores.iter().map(|score| score.clamp(-300.0, 300.0).exp()).collect(),
    };
    let mut sum = vec![0.0; count + 1];
    for (edge, p) in edges.iter().zip(&mut out) {
        if number[edge.to] == 1 {
            *p = 1.0;
        }
        sum[edge.to] += *p;
    }
    for (edge, p) in edges.iter().zip(&mut out) {
        *p = if sum[edge.to] > 0.0 { (*p / sum[edge.to]).clamp(0.0, 1.0) } else { 0.0 };
    }
    out
}

/// Mirrored edges share their mean score, so that twins agree.
pub(super) fn tie_twins(scene: &Scene, problem: &Problem, scores: &mut [f64]) {
    // Places alone are not enough: two joints of one place may mirror two others in either way.
    let twin_of = |joint: usize| {
        let other = scene.layout.twin[joint]?;
        let mutual = scene.layout.twin[other] == Some(joint);
        let stems = scene.names.readings[joint].stem == scene.names.readings[other].stem;
        let sides = match (scene.side[joint], scene.side[other]) {
            (Some(a), Some(b)) => a == -b && a != 0,
            (None, None) => scene.layout.here[joint] == 0 && scene.layout.here[other] == 0,
            _ => false,
        };
        let numbers = scene.side[joint].is_none()
            || scene.names.readings[joint].numbers == scene.names.readings[other].numbers;
        (mutual && stems && sides && numbers).then_some(other)
    };
    // A joint off the plane whose twin is not known has no mirror image to compare with.
    let mirrored = |joint: usize| {
        let middle = scene.side[joint].unwrap_or(0) == 0 && scene.layout.lateral(joint).abs() < 0.012;
        twin_of(joint).or_else(|| middle.then_some(joint))
    };
    let before = scores.to_vec();
    for (index, edge) in problem.edges.iter().enumerate() {
        let j = edge.to - 1;
        let Some(other) = twin_of(j) else { continue };
        let open = |joint: usize| scene.items[joint].decided == Decided::Open;
        if !(open(j) && open(other)) {
            continue;
        }
        let from = match edge.from.checked_sub(1) {
            None => 0,
            Some(parent) => match mirrored(parent) {
                Some(image) => image + 1,
                None => continue,
            },
        };
        let (start, end) = problem.of[other];
        if let Some(twin) = (start..end).find(|k| problem.edges[*k].from == from) {
            scores[index] = f64::midpoint(before[index], before[twin]);
        }
    }
}

/// The best tree and the probabilities.
pub(super) fn answer(
    scene: &Scene,
    problem: Problem,
    scores: &[f64],
    temperature: f64,
    roots: &RootRule,
) -> Option<Answer> {
    let count = scene.count();
    let scaled: Vec<f64> = scores.iter().map(|score| score / temperature.max(1e-3)).collect();
    let one = *roots == RootRule::One;
    // With one root only, every further root costs more than any tree can gain.
    let penalty = if one { 1e4 } else { 0.0 };
    let scored: Vec<Edge> = problem
        .edges
        .iter()
        .zip(&scaled)
        .map(|(edge, score)| Edge { score: if edge.from == 0 { score - penalty } else { *score }, ..*edge })
        .collect();
    let mut chosen = best_tree(count + 1, &scored)?;
    chosen.sort_by_key(|index| problem.edges[*index].to);
    let probability =
        probabilities(count, &problem.edges, &scaled, if one { Roots::One } else { Roots::Any });
    Some(Answer { problem, chosen, probability })
}
